package job

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"shaftgauge/measure"
)

// Algorithm names the method behind every number. Change it whenever a change
// in detect, measure or film changes a row: films in older ledgers are then
// measured again.
const Algorithm = "shaft/9"

// AnswerFD is the file descriptor on which a worker answers. Standard output
// is not used, since C libraries print to it.
const AnswerFD = 3

// Hello is the first line of a worker, sent when it can take jobs.
type Hello struct {
	Algorithm string `json:"algorithm"`
}

// Measurer measures the film of one job.
type Measurer func(ctx context.Context, j Job) Answer

// Serve says hello on out, then answers the jobs of in, one after the other,
// until in ends. It is the whole main loop of a film worker.
func Serve(in io.Reader, out io.Writer, measure Measurer) error {
	enc := json.NewEncoder(out)
	if err := enc.Encode(Hello{Algorithm: Algorithm}); err != nil {
		return fmt.Errorf("job: hello: %w", err)
	}
	dec := json.NewDecoder(bufio.NewReader(in))
	for {
		var j Job
		if err := dec.Decode(&j); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return fmt.Errorf("job: job: %w", err)
		}
		if err := enc.Encode(measure(context.Background(), j).line()); err != nil {
			return fmt.Errorf("job: answer of %q: %w", j.Source, err)
		}
	}
}

// NotMeasured is the answer for a film that gave nothing but the reason why.
func NotMeasured(source string, why measure.Reason) Answer {
	return Answer{Source: source, Femurs: []measure.Femur{{Record: measure.Record{
		Source:  source,
		Frame:   1,
		Status:  measure.StatusNotMeasured,
		Reasons: []measure.Reason{why},
	}}}}
}

// WithSource returns a copy of a that names source in every record and
// geometry: the same picture found at another path. The pictures are shared.
func (a Answer) WithSource(source string) Answer {
	a.Source = source
	femurs := make([]measure.Femur, len(a.Femurs))
	for i, f := range a.Femurs {
		f.Record.Source = source
		if f.Geometry != nil {
			g := *f.Geometry
			g.Source = source
			f.Geometry = &g
		}
		femurs[i] = f
	}
	a.Femurs = femurs
	return a
}

// answerLine is an Answer as it travels: JSON has no NaN, which a profile uses
// for what was not measured, so a profile's numbers are null there.
type answerLine struct {
	Source   string      `json:"source"`
	Femurs   []femurLine `json:"femurs"`
	Pictures []Picture   `json:"pictures,omitempty"`
	Crash    string      `json:"crash,omitempty"`
	Pixels   []byte      `json:"pixels,omitempty"`
	Refused  string      `json:"refused,omitempty"`
}

type femurLine struct {
	measure.Femur
	Profile []profileLine `json:"profile,omitempty"` // in place of the femur's
}

type profileLine measure.ProfileRow

// MarshalJSON writes the answer with null for the numbers that a profile lacks.
func (a Answer) MarshalJSON() ([]byte, error) { return json.Marshal(a.line()) }

// line returns a as it travels.
func (a Answer) line() answerLine {
	l := answerLine{Source: a.Source, Pictures: a.Pictures, Crash: a.Crash, Pixels: a.Pixels, Refused: a.Refused,
		Femurs: make([]femurLine, len(a.Femurs))}
	for i, f := range a.Femurs {
		l.Femurs[i] = femurLine{Femur: f}
		for _, row := range f.Profile {
			l.Femurs[i].Profile = append(l.Femurs[i].Profile, profileLine(row))
		}
	}
	return l
}

// UnmarshalJSON reads what MarshalJSON writes.
func (a *Answer) UnmarshalJSON(b []byte) (err error) {
	*a, err = ReadAnswer(b)
	return err
}

// ReadAnswer reads the line of an answer. A picture makes it long: json.Unmarshal into
// an Answer would check it twice.
func ReadAnswer(b []byte) (Answer, error) {
	var l answerLine
	if err := json.Unmarshal(b, &l); err != nil {
		return Answer{}, err
	}
	a := Answer{Source: l.Source, Pictures: l.Pictures, Crash: l.Crash, Pixels: l.Pixels, Refused: l.Refused,
		Femurs: make([]measure.Femur, len(l.Femurs))}
	for i, f := range l.Femurs {
		a.Femurs[i] = f.Femur
		for _, row := range f.Profile {
			a.Femurs[i].Profile = append(a.Femurs[i].Profile, measure.ProfileRow(row))
		}
	}
	return a, nil
}

// fields lists the numbers of a profile row in the order they travel in.
func (p *profileLine) fields() [10]*float64 {
	return [...]*float64{&p.LevelMM,
		&p.PositiveCortexMM, &p.PositiveCortexU95MM, &p.NegativeCortexMM, &p.NegativeCortexU95MM,
		&p.OuterWidthMM, &p.OuterWidthU95MM, &p.CanalWidthMM, &p.CanalWidthU95MM, &p.MidlineOffsetMM}
}

// MarshalJSON writes the row as an array.
func (p profileLine) MarshalJSON() ([]byte, error) {
	var out [10]*float64
	for i, f := range p.fields() {
		if !math.IsNaN(*f) {
			out[i] = f
		}
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads the array.
func (p *profileLine) UnmarshalJSON(b []byte) error {
	var in [10]*float64
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	for i, f := range p.fields() {
		*f = math.NaN()
		if in[i] != nil {
			*f = *in[i]
		}
	}
	return nil
}
