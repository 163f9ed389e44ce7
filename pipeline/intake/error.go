package intake

import (
	"errors"
	"fmt"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake/codec"
	"shaftgauge/pipeline/intake/part10"
)

// Error says why a file or one of its frames could not be read.
type Error struct {
	Reason measure.Reason // unreadable_file, unsupported_image or image_too_large
	Err    error
}

func (e *Error) Error() string { return fmt.Sprintf("intake: %s: %v", e.Reason, e.Err) }
func (e *Error) Unwrap() error { return e.Err }

// ReasonOf returns the reason code of an error of this package.
func ReasonOf(err error) measure.Reason {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return measure.UnreadableFile
}

func unreadable(format string, args ...any) error {
	return &Error{Reason: measure.UnreadableFile, Err: fmt.Errorf(format, args...)}
}

func unsupported(format string, args ...any) error {
	return &Error{Reason: measure.UnsupportedImage, Err: fmt.Errorf(format, args...)}
}

func tooLarge(format string, args ...any) error {
	return &Error{Reason: measure.ImageTooLarge, Err: fmt.Errorf(format, args...)}
}

// classify gives an error of the packages below its reason.
func classify(err error) error {
	var mine *Error
	var syntax *part10.SyntaxError
	switch {
	case err == nil || errors.As(err, &mine):
		return err
	case errors.As(err, &syntax), errors.Is(err, codec.ErrUnsupported):
		return &Error{Reason: measure.UnsupportedImage, Err: err}
	case errors.Is(err, part10.ErrTooLarge):
		return &Error{Reason: measure.ImageTooLarge, Err: err}
	}
	return &Error{Reason: measure.UnreadableFile, Err: err}
}
