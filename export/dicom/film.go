package dicom

import (
	"errors"
	"fmt"
	"time"

	"shaftgauge/measure"
)

// Header is what the film's own file says of patient, study and image. Texts
// are as they stand in the file, in the character set that it names.
type Header struct {
	CharacterSet []string // (0008,0005); empty: the default repertoire

	PatientName, PatientID, IssuerOfPatientID string
	PatientBirthDate, PatientSex              string
	IdentityRemoved, Deidentification         string // (0012,0062), (0012,0063)

	StudyUID, StudyDate, StudyTime, StudyID string
	AccessionNumber, ReferringPhysician     string
	StudyDescription, Institution           string
	Procedures                              []Code // Procedure Code Sequence (0008,1032)

	SeriesUID, InstanceUID, ClassUID string
	Modality                         string

	Rows, Cols, Frames int        // Frames is 1 for a class without frames
	Spacing            [2]float64 // mm between rows and between columns, calibrated or the detector's; 0 not known
	AspectRatio        [2]int     // (0028,0034), vertical and horizontal; 0 not given

	// How stored values become grey ones.
	Photometric                         string // (0028,0004)
	PresentationLUTShape                string // (2050,0020), may be empty
	RescaleIntercept, RescaleSlope      string // both empty: none
	RescaleType                         string
	ModalityLUT                         *LUT
	WindowCentre, WindowWidth, Function string // of the first window; both empty: none
	VOILUT                              *LUT   // the first

	LossyCompression, LossyRatio, LossyMethod string // (0028,2110), (0028,2112), (0028,2114)
}

// LUT is an item of a look-up table sequence.
type LUT struct {
	Descriptor [3]int // (0028,3002), each of 16 bits
	Signed     bool   // the second is a signed number
	Words      []uint16
	Type       string // (0028,3004), of a modality LUT
}

// Film is one image and what was measured on it.
type Film struct {
	Header Header
	Source string          // of its rows
	Femurs []measure.Femur // its rows in order, with geometry where there is one, as they hold: corrected where a person did so
	Review map[int]*Review // what a person said of the row of an index; absent: nobody decided

	Replaces *Document // the earlier report of this film whose place the new one takes; nil: none
}

// Document is a report as others refer to it.
type Document struct{ StudyUID, SeriesUID, InstanceUID string }

// Review is what a person decided of one femur's row.
type Review struct {
	Reviewer     string // DICOM PN, or a plain name
	Organization string // empty: the film's institution
	At           time.Time
	Rejected     string          // why the row was rejected; empty: it was not
	Before       *measure.Record // the row as it was measured, where the person corrected it; else nil
	Note         string
}

// Program says what measured the films and when.
type Program struct {
	Version   string
	Algorithm string
	Written   time.Time // when the run ended: the date of the objects
}

// ErrHeader says that a film's header lacks what an object needs to refer to
// the film, or is not that of its rows.
var ErrHeader = errors.New("dicom: the film's header has no usable UIDs or size")

func (f *Film) check() error {
	h := &f.Header
	for _, u := range []string{h.StudyUID, h.SeriesUID, h.InstanceUID, h.ClassUID} {
		if !validUID(u) {
			return fmt.Errorf("%w: UID %q", ErrHeader, u)
		}
	}
	if h.Rows <= 0 || h.Cols <= 0 || h.Rows > 65535 || h.Cols > 65535 {
		return fmt.Errorf("%w: %d × %d pixels", ErrHeader, h.Cols, h.Rows)
	}
	if len(f.Femurs) == 0 {
		return fmt.Errorf("dicom: film %q has no row", f.Source)
	}
	for i := range f.Femurs {
		r := &f.Femurs[i].Record
		if r.InstanceUID != h.InstanceUID {
			return fmt.Errorf("%w: the row is of instance %q, the header of %q", ErrHeader, r.InstanceUID, h.InstanceUID)
		}
		if r.Frame < 1 || r.Frame > max(1, h.Frames) {
			return fmt.Errorf("%w: row of frame %d of %d", ErrHeader, r.Frame, h.Frames)
		}
	}
	return nil
}

// validUID reports whether s has the form of PS3.5 9.1.
func validUID(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	digits := 0
	for i := range len(s) {
		switch {
		case s[i] == '.':
			if digits == 0 || i == len(s)-1 {
				return false
			}
			digits = 0
		case s[i] < '0' || s[i] > '9':
			return false
		default:
			digits++
		}
	}
	return true
}
