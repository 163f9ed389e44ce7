package detect

// #cgo pkg-config: opencv4
// #include "threads.h"
import "C"

import "errors"

// OneThread keeps OpenCV in this process to the thread that calls it, from now
// on. A batch runs one worker a CPU core; threads of their own would only make
// workers wait for each other.
func OneThread() error {
	if C.shaftgauge_set_threads(1) == 0 {
		return errors.New("detect: OpenCV does not take the number of threads")
	}
	return nil
}
