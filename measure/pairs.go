package measure

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// PairKind says what the two rows of a pair have to do with each other.
type PairKind string

// The kinds of pairs.
const (
	Sides       PairKind = "sides"       // right and left femur of one study
	Consecutive PairKind = "consecutive" // one femur on a film and on the next one in time
	FirstLast   PairKind = "first_last"  // one femur on its first and its last film, others between
)

// Pair is two rows of one patient and one view that can be set against each
// other. A and B are their places among the femurs given to [Pairs]: A is the
// right one or the later one, B the left one or the earlier one, and every
// difference is A less B.
type Pair struct {
	Kind PairKind
	A, B int
	Days float64 // from B to A; 0 for sides
}

// Pairs sets the femurs of a run against each other: side against side within
// a study, and film against film over time. The order of the result depends on
// the rows' own words only, not on their places.
//
// A study is a Study Instance UID; where rows have none, a patient's day, else
// one file. Of several rows of one side and view in a study, the one with the
// better status stands for it; then that with more values, that with the
// smaller uncertainty of its shaft's axis, and the first by source and frame.
// Over time, rows of one patient, side and view are paired where their dates
// are known and differ: each date with the next one, and, where there are more
// than two, the last with the first. Rows without patient key are not paired
// over time, rows without side or view not at all.
func Pairs(femurs []Femur) []Pair {
	type seat struct { // of one side on one day or in one study
		study, patient string
		view           View
		side           Side
		day            float64
	}
	inStudy, inTime := map[seat]int{}, map[seat]int{}
	take := func(seats map[seat]int, s seat, i int) {
		if j, taken := seats[s]; !taken || stands(&femurs[i].Record, &femurs[j].Record) < 0 {
			seats[s] = i
		}
	}
	for i := range femurs {
		r := &femurs[i].Record
		if r.Status == StatusNotMeasured || r.Side == "" || r.View == "" {
			continue
		}
		take(inStudy, seat{study: studyOf(r), patient: r.PatientKey, view: r.View, side: r.Side}, i)
		if day, ok := dayOf(r); ok && r.PatientKey != "" {
			take(inTime, seat{patient: r.PatientKey, view: r.View, side: r.Side, day: day}, i)
		}
	}

	var out []Pair
	for s, right := range inStudy {
		if s.side != Right {
			continue
		}
		s.side = Left
		if left, ok := inStudy[s]; ok {
			out = append(out, Pair{Kind: Sides, A: right, B: left})
		}
	}
	course := map[seat][]int{} // of one femur, by date
	for s, i := range inTime {
		s.day = 0
		course[s] = append(course[s], i)
	}
	day := func(i int) float64 { d, _ := dayOf(&femurs[i].Record); return d }
	for _, rows := range course {
		slices.SortFunc(rows, func(a, b int) int { return cmp.Compare(day(a), day(b)) })
		last := len(rows) - 1
		for k := 1; k <= last; k++ {
			out = append(out, Pair{Kind: Consecutive, A: rows[k], B: rows[k-1], Days: day(rows[k]) - day(rows[k-1])})
		}
		if last > 1 {
			out = append(out, Pair{Kind: FirstLast, A: rows[last], B: rows[0], Days: day(rows[last]) - day(rows[0])})
		}
	}
	slices.SortFunc(out, func(p, q Pair) int {
		a, b, c, d := &femurs[p.A].Record, &femurs[p.B].Record, &femurs[q.A].Record, &femurs[q.B].Record
		return cmp.Or(cmp.Compare(a.PatientKey, c.PatientKey), cmp.Compare(studyOf(b), studyOf(d)),
			cmp.Compare(a.View, c.View), cmp.Compare(a.Side, c.Side), cmp.Compare(kindOrder[p.Kind], kindOrder[q.Kind]),
			inFile(b, d), inFile(a, c))
	})
	return out
}

var kindOrder = map[PairKind]int{Sides: 0, Consecutive: 1, FirstLast: 2}

// studyOf names the study of a row.
func studyOf(r *Record) string {
	day, dated := dayOf(r)
	switch {
	case r.StudyUID != "":
		return "uid " + r.StudyUID
	case r.PatientKey != "" && dated:
		return fmt.Sprint("day ", r.PatientKey, " ", day)
	}
	return "file " + r.Source
}

// stands compares two rows of one side, view and study: negative when a stands
// for it before b.
func stands(a, b *Record) int {
	return cmp.Or(cmp.Compare(statusOrder[a.Status], statusOrder[b.Status]), cmp.Compare(len(b.Values), len(a.Values)),
		cmp.Compare(a.Values[ShaftAxis].U95, b.Values[ShaftAxis].U95), inFile(a, b))
}

var statusOrder = map[Status]int{StatusMeasured: 0, StatusPartial: 1, StatusNotMeasured: 2}

// inFile compares the places of two rows in measurements.csv, as far as their
// own words tell.
func inFile(a, b *Record) int {
	return cmp.Or(cmp.Compare(a.Source, b.Source), cmp.Compare(a.Frame, b.Frame), -cmp.Compare(a.Side, b.Side))
}

// StudyDay is the column that stands for study_date where rows are
// pseudonymised: days from the patient's first film.
const StudyDay Quantity = "study_day"

// dayOf returns the day of a row, by its date or its study day. Days of one
// patient can be subtracted.
func dayOf(r *Record) (float64, bool) {
	if v, ok := r.Values[StudyDay]; ok {
		return v.X, true
	}
	d, err := time.Parse("20060102", r.StudyDate) // DICOM DA, PS3.5 §6.2
	return float64(d.Unix()) / 86400, err == nil
}
