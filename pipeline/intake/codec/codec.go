// Package codec holds what the frame decoders below it share: the shape that a
// codestream claims, and the two ways in which one cannot be decoded.
//
// A decoder's Inspect reads the claim without allocating anything of that
// size; the caller checks it against the header and the limits before it calls
// Decode for Rows·Cols·Samples words: stored values row by row, samples of a
// pixel side by side. Anything else an error says is damage.
package codec

import "errors"

// ErrUnsupported says that a codestream is of a kind that its decoder does not
// know; it may be perfectly good.
var ErrUnsupported = errors.New("codestream not supported")

// Shape is what a codestream says of itself.
type Shape struct {
	Rows, Cols int
	Samples    int // components a pixel
	Bits       int // precision of a sample
}

// Words is the number of samples of a frame.
func (s Shape) Words() int { return s.Rows * s.Cols * s.Samples }
