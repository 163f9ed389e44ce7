package film

import (
	"fmt"
	"runtime/debug"

	"shaftgauge/detect"
)

// garbagePercent is how much garbage beside what is in use the collector lets
// grow. In use is chiefly one frame; the usual 100 would leave room for a second.
// Collecting costs little, since pixels hold no pointers.
const garbagePercent = 25

// Prepare sets this process up to be a worker: one that measures films one after
// the other on a single core, in the memory of a single frame. A process whose
// networks do not load says so here, before its first film.
func Prepare() error {
	if err := detect.OneThread(); err != nil {
		return fmt.Errorf("film: %w", err)
	}
	if err := detect.Load(); err != nil {
		return fmt.Errorf("film: %w", err)
	}
	debug.SetGCPercent(garbagePercent)
	return nil
}
