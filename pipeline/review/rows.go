package review

import (
	"encoding/json"
	"math"
	"slices"

	"shaftgauge/measure"
)

// rows are the rows of a run as the pages need them.
type rows struct {
	femurs  []measure.Femur // as in the tables, without geometry and profile
	names   []Row
	order   []int // ids in the order of review
	patient []int // group of each row, from 0; −1: not known
	related [][]related
}

// related is another row that is looked at beside one.
type related struct {
	ID  int    `json:"id"`
	Why string `json:"why"`
}

// newRows numbers the rows of a run; keys are the ledger's keys of its films.
func newRows(femurs []measure.Femur, keys map[string]string) *rows {
	r := &rows{femurs: femurs, names: Names(femurs, keys), related: make([][]related, len(femurs))}
	groups := make(map[string]int)
	for i := range femurs {
		r.order = append(r.order, i)
		group := -1
		if key := femurs[i].Record.PatientKey; key != "" {
			n, ok := groups[key]
			if !ok {
				n = len(groups)
				groups[key] = n
			}
			group = n
		}
		r.patient = append(r.patient, group)
	}
	rank := func(i int) float64 { return femurs[i].Record.Values[measure.ReviewRank].X }
	slices.SortStableFunc(r.order, func(a, b int) int { return int(rank(a) - rank(b)) })
	for _, p := range measure.Pairs(femurs) {
		switch p.Kind {
		case measure.Sides:
			r.relate(p.A, p.B, "other side")
			r.relate(p.B, p.A, "other side")
		default:
			r.relate(p.A, p.B, "earlier film")
			r.relate(p.B, p.A, "later film")
		}
	}
	return r
}

func (r *rows) relate(id, other int, why string) {
	r.related[id] = append(r.related[id], related{other, why})
}

// Names names the rows of a run; keys are the ledger's keys of its films.
func Names(femurs []measure.Femur, keys map[string]string) []Row {
	type frame struct {
		source string
		n      int
	}
	count := make(map[frame]int)
	out := make([]Row, len(femurs))
	for i := range femurs {
		rec := &femurs[i].Record
		at := frame{rec.Source, rec.Frame}
		count[at]++
		out[i] = Row{Film: keys[rec.Source], Source: rec.Source, Frame: rec.Frame, N: count[at]}
	}
	return out
}

// listRow is one row of the list.
type listRow struct {
	ID      int            `json:"id"`
	Rank    int            `json:"rank"`
	Source  string         `json:"source"`
	Frame   int            `json:"frame"`
	Side    measure.Side   `json:"side"`
	View    measure.View   `json:"view"`
	Status  measure.Status `json:"status"`
	Reasons string         `json:"reasons"`
	State   State          `json:"state"`
	Patient int            `json:"patient"`
}

// list is all rows in the order of review, with where each stands.
func (r *rows) list(states map[Row]State) []listRow {
	out := make([]listRow, 0, len(r.order))
	for _, i := range r.order {
		rec := &r.femurs[i].Record
		state, ok := states[r.names[i]]
		if !ok {
			state = Open
		}
		out = append(out, listRow{ID: i, Rank: int(rec.Values[measure.ReviewRank].X), Source: rec.Source, Frame: rec.Frame, Side: rec.Side, View: rec.View,
			Status: rec.Status, Reasons: rec.Texts[measure.ReviewReasons], State: state, Patient: r.patient[i]})
	}
	return out
}

// held is what holds for a row before anything was decided.
func (r *rows) held(id int) Held { return heldOf(Open, &r.femurs[id].Record) }

func heldOf(s State, r *measure.Record) Held {
	return Held{State: s, Values: r.Values, Texts: r.Texts}
}

// rejoin brings a femur that was measured anew into the run: the words that its
// film alone does not give, or that pseudonyms stand for, are those of its row.
func rejoin(f measure.Femur, row *measure.Record) measure.Femur {
	r := &f.Record
	r.InstanceUID, r.SeriesUID, r.StudyUID = row.InstanceUID, row.SeriesUID, row.StudyUID
	r.PatientKey, r.AccessionKey, r.StudyDate = row.PatientKey, row.AccessionKey, row.StudyDate
	for _, q := range []measure.Quantity{measure.ReviewRank, measure.StudyDay} {
		if v, ok := row.Values[q]; ok {
			r.Set(q, v.X, v.U95)
		}
	}
	if r.Texts == nil {
		r.Texts = make(map[string]string)
	}
	r.Texts[measure.ReviewReasons] = row.Texts[measure.ReviewReasons]
	if slices.Contains(row.Reasons, measure.OtherSideNotOnFile) {
		r.AddReason(measure.OtherSideNotOnFile)
	}
	return f
}

// column is one cell of a row and what was measured in it before.
type column struct {
	Name     string   `json:"name"`
	Unit     string   `json:"unit"`
	Digits   int      `json:"digits"`
	Value    any      `json:"value"` // a number or words; null where there is none
	U95      *float64 `json:"u95"`
	Measured any      `json:"measured"`
	Was      *float64 `json:"measured_u95"`
}

// notShown are columns that are no reading of the film.
var notShown = []string{string(measure.ReviewRank), measure.ReviewReasons, string(measure.StudyDay)}

// columns are the filled cells of a row, in the order of the table.
func columns(now, measured *measure.Record) []column {
	var out []column
	for _, c := range measure.Columns {
		if slices.Contains(notShown, c.Name) {
			continue
		}
		col := column{Name: c.Name, Unit: c.Unit, Digits: c.Digits}
		col.Value, col.U95 = cell(now, c)
		col.Measured, col.Was = cell(measured, c)
		if col.Value != nil || col.Measured != nil {
			out = append(out, col)
		}
	}
	return out
}

func cell(r *measure.Record, c measure.Column) (any, *float64) {
	if v, ok := r.Values[measure.Quantity(c.Name)]; ok {
		if c.Uncertain {
			return v.X, &v.U95
		}
		return v.X, nil
	}
	if s := r.Texts[c.Name]; s != "" {
		return s, nil
	}
	return nil, nil
}

// number is a float64 with null for what is none.
type number float64

func (x number) MarshalJSON() ([]byte, error) {
	if v := float64(x); math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(x))
}

// profileRow is the shaft at one level. Lateral and Medial stand for the
// anterior and the posterior side on a lateral film.
type profileRow struct {
	Level      number `json:"level"`
	Lateral    number `json:"lateral"`
	LateralU95 number `json:"lateral_u95"`
	Medial     number `json:"medial"`
	MedialU95  number `json:"medial_u95"`
	Outer      number `json:"outer"`
	OuterU95   number `json:"outer_u95"`
	Canal      number `json:"canal"`
	CanalU95   number `json:"canal_u95"`
	Offset     number `json:"offset"`
}

func profile(p []measure.ProfileRow) []profileRow {
	out := make([]profileRow, 0, len(p))
	for _, r := range p {
		out = append(out, profileRow{number(r.LevelMM), number(r.PositiveCortexMM), number(r.PositiveCortexU95MM), number(r.NegativeCortexMM), number(r.NegativeCortexU95MM),
			number(r.OuterWidthMM), number(r.OuterWidthU95MM), number(r.CanalWidthMM), number(r.CanalWidthU95MM), number(r.MidlineOffsetMM)})
	}
	return out
}

// reason is a reason code with its sentence.
type reason struct {
	Code     measure.Reason `json:"code"`
	Sentence string         `json:"sentence"`
}

func reasons(codes []measure.Reason) []reason {
	out := make([]reason, 0, len(codes))
	for _, code := range codes {
		r := reason{Code: code}
		for _, t := range measure.Reasons {
			if t.Code == code {
				r.Sentence = t.Sentence
			}
		}
		out = append(out, r)
	}
	return out
}
