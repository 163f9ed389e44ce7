package film

import (
	"bytes"
	"encoding/binary"
	"fmt"
	picture "image"
	"image/png"
	"math/bits"
	"os"
	"slices"
	"sync"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// shown is a frame that a reader has before him.
type shown struct {
	key   string
	frame intake.Film
	base  measure.Record
	sight *sight // nil until it is looked for
}

// desk is what lies before the reader, the latest last: he drags one point after
// the other, and goes back and forth, so no frame is decoded and searched anew
// each time.
var desk struct {
	sync.Mutex
	lies []*shown
}

// deskPixels is how many pixels of earlier frames stay on the desk.
const deskPixels = 32 << 20

// read answers a job with an Inspection.
func read(j job.Job) job.Answer {
	desk.Lock()
	defer desk.Unlock()
	a := job.Answer{Source: j.Source}
	s, err := show(j)
	switch {
	case err != nil:
	case j.Inspection.Pixels:
		a.Pixels, err = portable(s.frame)
	default:
		a.Femurs, err = s.reread(j)
	}
	if err != nil {
		a.Refused = err.Error()
	}
	return a
}

// reread measures the frame with the corrections of j.
func (s *shown) reread(j job.Job) ([]measure.Femur, error) {
	if s.sight == nil {
		found, why := find(s.frame, s.base, j.Config)
		if why != "" && why != measure.NoFemurFound {
			return nil, fmt.Errorf("film: no femur to correct: %s", why)
		}
		s.sight = &found
	}
	if len(s.sight.found) == 0 && len(j.Inspection.Corrections) == 0 {
		return nil, fmt.Errorf("film: no femur to correct: %s", measure.NoFemurFound)
	}
	corrected, err := s.sight.corrected(*j.Inspection)
	if err != nil {
		return nil, err
	}
	rows := corrected.femurs(j.Config)
	// The row stays in its place, though its side may have become known.
	was, now := j.Inspection.Femur-1, corrected.row(max(0, s.sight.place(j.Inspection.Femur)))
	if now >= 0 && was >= 0 && was < len(rows) {
		f := rows[now]
		rows = slices.Insert(slices.Delete(rows, now, now+1), was, f)
	}
	return rows, nil
}

// show lays the frame that j reads on the desk, if it is not there.
func show(j job.Job) (*shown, error) {
	info, err := os.Stat(j.Path)
	if err != nil {
		return nil, fmt.Errorf("film: %w", err)
	}
	c := j.Config
	key := fmt.Sprintf("%q %q %d %d %v %v %d", j.Path, j.Member, info.Size(), info.ModTime().UnixNano(), j.Beside, c.MarkerDiameterMM, j.Inspection.Frame)
	pixels := 0
	for i, s := range slices.Backward(desk.lies) {
		if s.key == key {
			desk.lies = append(slices.Delete(desk.lies, i, i+1), s)
			return s, nil
		}
		if pixels += len(s.frame.Pixels); pixels > deskPixels {
			desk.lies = slices.Delete(desk.lies, 0, i+1)
			break
		}
	}
	src, err := open(j)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	f, err := intake.Open(src, src.size, j.Beside, intake.Limits{MaxPixels: c.MaxPixels, MaxFrames: c.MaxFrames})
	if err != nil {
		return nil, fmt.Errorf("film: not readable: %s", intake.ReasonOf(err))
	}
	if n := j.Inspection.Frame; n < 1 || n > f.Frames() {
		return nil, fmt.Errorf("film: no frame %d", n)
	}
	s := &shown{key: key, base: row(j, f.Header, j.Inspection.Frame)}
	if s.frame, err = alone(f, j.Inspection.Frame); err != nil {
		return nil, fmt.Errorf("film: not readable: %s", intake.ReasonOf(err))
	}
	linearise(&s.frame)
	desk.lies = append(desk.lies, s)
	return s, nil
}

// portable returns a frame as a 16-bit grey PNG, its values shifted up to fill
// the 16 bits: nothing else is changed.
func portable(f intake.Film) ([]byte, error) {
	var top uint16
	for _, v := range f.Pixels {
		top = max(top, v)
	}
	up := bits.LeadingZeros16(max(top, 1))
	im := &picture.Gray16{Pix: make([]byte, 2*len(f.Pixels)), Stride: 2 * f.Cols, Rect: picture.Rect(0, 0, f.Cols, f.Rows)}
	for i, v := range f.Pixels {
		binary.BigEndian.PutUint16(im.Pix[2*i:], v<<up)
	}
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := e.Encode(&b, im); err != nil {
		return nil, fmt.Errorf("film: %w", err)
	}
	return b.Bytes(), nil
}
