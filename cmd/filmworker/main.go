// Command filmworker measures films for shaftgauge, one after the other: jobs
// come as JSON lines on standard input, answers go as JSON lines to file
// descriptor 3. It is the only program here that links C. shaftgauge starts
// it, limits it, and starts it again when a film takes it down; nobody needs
// to start it by hand.
package main

import (
	"fmt"
	"os"

	"shaftgauge/pipeline/film"
	"shaftgauge/pipeline/job"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run() error {
	if err := film.Prepare(); err != nil {
		return err
	}
	return job.Serve(os.Stdin, os.NewFile(job.AnswerFD, "answers"), film.Measure)
}
