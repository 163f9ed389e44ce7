// Command shaftgauge measures femur radiographs by the thousand for human
// review. It links no C: films are opened by cmd/filmworker processes.
package main

import (
	"os"
)

func main() {
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}
