// Package film takes one film from its file to its rows: read, find the
// femurs, decide which they are, measure. The order of the calls in [Measure]
// and in one are the method.
//
// It links OpenCV and C decoders, so only cmd/filmworker imports it.
package film

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"runtime"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/patient"
)

// Measure answers one job: every frame of the file, every femur of a frame.
// It never fails: what cannot be measured is a row with its reasons.
func Measure(ctx context.Context, j job.Job) job.Answer {
	if j.Inspection != nil {
		return read(j)
	}
	a := job.Answer{Source: j.Source}
	src, err := open(j)
	if err != nil {
		return job.NotMeasured(j.Source, measure.UnreadableFile)
	}
	defer src.Close()
	f, err := intake.Open(src, src.size, j.Beside, intake.Limits{MaxPixels: j.Config.MaxPixels, MaxFrames: j.Config.MaxFrames})
	if err != nil {
		a.Femurs = []measure.Femur{refused(row(j, f.Header, 1), intake.ReasonOf(err))}
		return a
	}
	for i := 1; i <= f.Frames() && ctx.Err() == nil; i++ {
		base := row(j, f.Header, i)
		frame, err := alone(f, i)
		if err != nil {
			a.Femurs = append(a.Femurs, refused(base, intake.ReasonOf(err)))
			continue
		}
		a.Femurs = append(a.Femurs, one(frame, base, j.Config)...)
		if j.Config.Picture > 0 {
			if p, err := detect.Picture(image(frame, scale{}), j.Config.Picture); err == nil {
				a.Pictures = append(a.Pictures, job.Picture{Frame: i, Rows: p.Rows, Cols: p.Cols, Scale: p.Scale, Grey: p.Grey,
					FilmRows: frame.Rows, FilmCols: frame.Cols})
			}
		}
	}
	return a
}

// alone decodes frame i after clearing the frame before it from memory: a
// worker's peak is then that of one frame, where the collector by itself would
// wait for the second.
func alone(f *intake.File, i int) (intake.Film, error) {
	runtime.GC()
	return f.Frame(i)
}

// one measures the femurs of one frame.
func one(frame intake.Film, base measure.Record, c job.Settings) []measure.Femur {
	s, why := find(frame, base, c)
	if why != "" {
		return []measure.Femur{refused(s.base, why)}
	}
	return s.femurs(c)
}

// row starts the record of a frame with what the header says.
func row(j job.Job, h intake.Header, frame int) measure.Record {
	r := measure.Record{
		Source: j.Source, Frame: frame,
		InstanceUID: h.InstanceUID, SeriesUID: h.SeriesUID, StudyUID: h.StudyUID,
		StudyDate:    h.StudyDate,
		PatientKey:   patient.Key(j.Config.PatientKey, h.Issuer, h.PatientID),
		AccessionKey: patient.AccessionKey(j.Config.PatientKey, h.Accession),
	}
	for _, why := range h.Reasons {
		r.AddReason(why)
	}
	return r
}

// refused closes a record that holds no number.
func refused(r measure.Record, why measure.Reason) measure.Femur {
	r.Reasons = append([]measure.Reason(nil), r.Reasons...)
	r.AddReason(why)
	r.Status = measure.StatusNotMeasured
	return measure.Femur{Record: r}
}

// content is an open film file.
type content struct {
	io.ReaderAt
	io.Closer
	size int64
}

// mostBytes is the size of the largest film file that the settings allow: 16
// bits a pixel, with room for the header.
func mostBytes(c job.Settings) int64 {
	return 2*int64(c.MaxPixels)*int64(c.MaxFrames) + 16<<20
}

// open opens the file of a job, or reads the member of its archive.
func open(j job.Job) (*content, error) {
	if j.Member == "" {
		f, err := os.Open(j.Path)
		if err != nil {
			return nil, fmt.Errorf("film: %w", err)
		}
		info, err := f.Stat()
		if err != nil {
			f.Close()
			return nil, fmt.Errorf("film: %w", err)
		}
		return &content{ReaderAt: f, Closer: f, size: info.Size()}, nil
	}
	z, err := zip.OpenReader(j.Path)
	if err != nil {
		return nil, fmt.Errorf("film: %w", err)
	}
	defer z.Close()
	for _, m := range z.File {
		if m.Name != j.Member {
			continue
		}
		r, err := m.Open()
		if err != nil {
			return nil, fmt.Errorf("film: %w", err)
		}
		defer r.Close()
		b, err := io.ReadAll(io.LimitReader(r, mostBytes(j.Config)))
		if err != nil {
			return nil, fmt.Errorf("film: %w", err)
		}
		return &content{ReaderAt: bytes.NewReader(b), Closer: io.NopCloser(nil), size: int64(len(b))}, nil
	}
	return nil, fmt.Errorf("film: no member %q in %s", j.Member, j.Path)
}
