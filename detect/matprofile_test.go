//go:build matprofile

package detect

import (
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// Every Mat is closed: none may be left when the tests end.
func TestMain(m *testing.M) {
	code := m.Run()
	if n := gocv.MatProfile.Count(); n != 0 {
		fmt.Fprintf(os.Stderr, "%d Mats were not closed\n", n)
		code = 1
	}
	os.Exit(code)
}
