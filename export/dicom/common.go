package dicom

import (
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/suyashkumar/dicom/pkg/tag"
)

const (
	manufacturer = "shaftgauge project"
	utf8Set      = "ISO_IR 192"
)

func decimalInt(n int) string { return strconv.Itoa(n) }

// common holds the modules that every object shares with the film (Patient,
// General Study: PS3.3 C.7.1.1, C.7.2.1) and those that name the program
// (General Series, General and Enhanced General Equipment: C.7.3.1, C.7.5.1,
// C.7.5.2).
func (f *Film) common(modality string, p Program) dataset {
	h := &f.Header
	var d dataset
	if set := f.characterSet(); len(set) > 0 {
		d.set(tag.SpecificCharacterSet, set)
	}
	d.set(tag.PatientName, h.PatientName)
	d.set(tag.PatientID, h.PatientID)
	d.setText(tag.IssuerOfPatientID, h.IssuerOfPatientID)
	d.set(tag.PatientBirthDate, h.PatientBirthDate)
	d.set(tag.PatientSex, h.PatientSex)
	if h.IdentityRemoved == "YES" {
		d.set(tag.PatientIdentityRemoved, "YES")
		method := h.Deidentification
		if method == "" {
			method = "As the image that was measured"
		}
		d.set(tag.DeidentificationMethod, method)
	}
	d.set(tag.StudyInstanceUID, h.StudyUID)
	d.set(tag.StudyDate, h.StudyDate)
	d.set(tag.StudyTime, h.StudyTime)
	d.set(tag.StudyID, h.StudyID)
	d.set(tag.AccessionNumber, h.AccessionNumber)
	d.set(tag.ReferringPhysicianName, h.ReferringPhysician)
	d.setText(tag.StudyDescription, h.StudyDescription)

	d.set(tag.Modality, modality)
	d.set(tag.SeriesInstanceUID, newUID("series", h.InstanceUID, modality, p.Algorithm))
	d.set(tag.SeriesDescription, "Femur measurements for review")
	d.set(tag.Manufacturer, manufacturer)
	d.set(tag.ManufacturerModelName, "shaftgauge")
	d.set(tag.DeviceSerialNumber, "none")
	d.set(tag.SoftwareVersions, []string{p.Version, "algorithm " + p.Algorithm})
	return d
}

// characterSet returns the character set of what is copied from the film, and
// UTF-8 where that is all ASCII.
func (f *Film) characterSet() []string {
	h := &f.Header
	copied := []string{h.PatientName, h.PatientID, h.IssuerOfPatientID, h.Deidentification, h.StudyID, h.AccessionNumber,
		h.ReferringPhysician, h.StudyDescription, h.Institution}
	for _, c := range h.Procedures {
		copied = append(copied, c.Meaning)
	}
	if ascii(strings.Join(copied, "")) {
		return []string{utf8Set}
	}
	return h.CharacterSet
}

// sayable returns f with the words that are not of the film fit for f's
// character set: in one that is not UTF-8 they keep ASCII only.
func (f Film) sayable() Film {
	if set := f.characterSet(); len(set) == 1 && set[0] == utf8Set {
		return f
	}
	review := make(map[int]*Review, len(f.Review))
	for i, r := range f.Review {
		c := *r
		c.Reviewer, c.Organization, c.Rejected, c.Note = onlyASCII(r.Reviewer), onlyASCII(r.Organization), onlyASCII(r.Rejected), onlyASCII(r.Note)
		review[i] = &c
	}
	f.Review, f.Femurs = review, slices.Clone(f.Femurs)
	for i := range f.Femurs {
		nails := slices.Clone(f.Femurs[i].Nails)
		for k := range nails {
			nails[k].Name = onlyASCII(nails[k].Name)
		}
		f.Femurs[i].Nails = nails
	}
	return f
}

func onlyASCII(s string) string {
	return strings.Map(func(c rune) rune {
		if c >= 0x80 {
			return '?'
		}
		return c
	}, s)
}

// ascii reports whether s has neither bytes beyond ASCII nor the escapes that
// switch sets.
func ascii(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 || s[i] == 0x1B {
			return false
		}
	}
	return true
}

// reviews are those of f's rows that a person looked at, in order.
func (f *Film) reviews() []*Review {
	var out []*Review
	for i := range f.Femurs {
		if r := f.Review[i]; r != nil {
			out = append(out, r)
		}
	}
	return out
}

// persons are the reviews by different reviewers, the latest of each.
func persons(reviews []*Review) []*Review {
	var out []*Review
next:
	for _, r := range reviews {
		for i, o := range out {
			if o.Reviewer == r.Reviewer {
				if r.At.After(o.At) {
					out[i] = r
				}
				continue next
			}
		}
		out = append(out, r)
	}
	return out
}

// name is the reviewer as a person name: at most 64 characters without those
// that part values (PS3.5 6.2).
func (r *Review) name() string { return limited(r.Reviewer) }

// limited is s fit for LO or PN.
func limited(s string) string {
	runes := []rune(strings.Map(func(c rune) rune {
		if c == '\\' || c == '=' || unicode.IsControl(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(s, "?")))
	return strings.TrimSpace(string(runes[:min(len(runes), 64)]))
}

// organization is the reviewer's own, else the film's institution.
func (r *Review) organization(h *Header) string {
	switch {
	case r.Organization != "":
		return limited(r.Organization)
	case h.Institution != "":
		return h.Institution
	}
	return "not stated"
}

// decimal writes x as a decimal string of at most 16 characters (PS3.5 6.2).
func decimal(x float64) string {
	s := strconv.FormatFloat(x, 'g', -1, 64)
	for digits := 15; len(s) > 16; digits-- {
		s = strconv.FormatFloat(x, 'g', digits, 64)
	}
	return s
}

// laterality is the side of f's femurs: R or L, empty where they differ or it
// is not known.
func (f *Film) laterality() string {
	side := f.Femurs[0].Record.Side
	for i := range f.Femurs {
		if f.Femurs[i].Record.Side != side {
			return ""
		}
	}
	return string(side)
}
