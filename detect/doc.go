// Package detect finds femurs on a film and traces the edges of their shafts.
//
// A film goes from coarse to fine. [Femurs] shrinks its exposed part to a small
// grid (field.go, grid.go), where a small network marks bone, direction and
// landmarks (locate.go, shafts.go); follows each shaft in a straightened strip,
// where the edges of a cortex are found together as smooth ordered lines by
// dynamic programming (strip.go, path.go); fits the projected tube, first to
// whole stretches and then to each level at full resolution (kernel.go, tube.go,
// blocks.go, trace.go); places the lesser trochanter (trochanter.go); and keeps
// what goes on as one shaft (run.go).
//
// Places are pixels of the stored image, (0, 0) at the centre of the first
// pixel. Inside, lengths are millimetres by the film's spacing; a film without
// a scale is given a working scale from the width of the bone itself.
//
// # Ownership of Mats
//
// Who creates a gocv.Mat closes it. A Mat argument is borrowed. No Mat leaves
// the package.
package detect
