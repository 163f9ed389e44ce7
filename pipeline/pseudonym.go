package pipeline

import (
	"crypto/hmac"
	"crypto/sha256"
	"math/big"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// pseudonyms replaces what a header's UIDs and dates would tell. It must have
// seen every answer of the run before it is applied to one.
type pseudonyms struct {
	key   []byte
	first map[string]time.Time // by patient_key; films without one have no study_day
}

func newPseudonyms(key []byte) *pseudonyms {
	return &pseudonyms{key: key, first: make(map[string]time.Time)}
}

const dicomDate = "20060102" // DICOM DA, PS3.5 §6.2

// see takes note of the dates in a.
func (p *pseudonyms) see(a job.Answer) {
	for _, f := range a.Femurs {
		if d, err := time.Parse(dicomDate, f.Record.StudyDate); err == nil && f.Record.PatientKey != "" {
			if first, ok := p.first[f.Record.PatientKey]; !ok || d.Before(first) {
				p.first[f.Record.PatientKey] = d
			}
		}
	}
}

// apply replaces the UIDs and the dates of a.
func (p *pseudonyms) apply(a *job.Answer) {
	for i := range a.Femurs {
		r := &a.Femurs[i].Record
		r.InstanceUID, r.SeriesUID, r.StudyUID = p.uid(r.InstanceUID), p.uid(r.SeriesUID), p.uid(r.StudyUID)
		d, err := time.Parse(dicomDate, r.StudyDate)
		if first, ok := p.first[r.PatientKey]; ok && err == nil {
			r.Set(measure.StudyDay, d.Sub(first).Hours()/24, 0)
		}
		r.StudyDate = ""
	}
}

// uid returns a UID that stands for u: the same for the same key, and not to be
// turned back without it. It is of the form 2.25.n, n a 128-bit number.
//
// Source: DICOM PS3.5 §B.2.
func (p *pseudonyms) uid(u string) string {
	if u == "" {
		return ""
	}
	mac := hmac.New(sha256.New, p.key)
	mac.Write([]byte(u))
	return "2.25." + new(big.Int).SetBytes(mac.Sum(nil)[:16]).String()
}
