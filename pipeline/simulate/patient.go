package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Visit is one film of a person who has several in an archive: the same two
// femurs, from one day to another.
type Visit struct {
	person     uint64 // seed of what the person's films share
	side       measure.Side
	later      bool // at the second date
	thickening map[measure.Side]bool
}

// peopleStream keeps what people are drawn from apart from their films.
const peopleStream = 0x70656F706C65

// alike are the groups whose films show much the same of a femur, so that films
// of one person can be set against each other.
var alike = [][]string{
	{"ap_full", "ap_long", "ap_hip", "ap_proximal", "low_dose", "turned", "inverted", "for_processing", "thickening"},
	{"lat_full", "lat_long", "lat_hip", "turned_lat"},
}

// courses are the films that people have.
var courses = [][]struct{ other, later bool }{
	{{}, {other: true}, {later: true}, {other: true, later: true}}, // that of the first person of an archive
	{{}, {other: true}},
	{{}, {later: true}},
	{{}}, // a single film, like everybody else's
}

// People says which films of an archive, given their groups in order, are visits
// of people with several films; nil stands for a person with one.
func People(seed uint64, films []string) []*Visit {
	out := make([]*Visit, len(films))
	for k, groups := range alike {
		rng := rand.New(rand.NewPCG(seed^peopleStream, uint64(k)))
		var left []int
		for i, group := range films {
			if slices.Contains(groups, group) {
				left = append(left, i)
			}
		}
		for n := 0; len(left) > 0; n++ {
			course := courses[0]
			if n > 0 {
				course = courses[rng.IntN(len(courses))]
			}
			person, first, second := rng.Uint64(), measure.Right, measure.Left
			if rng.IntN(2) == 0 {
				first, second = second, first
			}
			if len(course) > len(left) {
				course = courses[len(courses)-1]
			}
			thickening := map[measure.Side]bool{}
			for i, c := range course {
				side := first
				if c.other {
					side = second
				}
				if films[left[i]] == "thickening" {
					thickening[side] = true
				}
				if len(course) > 1 {
					out[left[i]] = &Visit{person, side, c.later, thickening}
				}
			}
			left = left[len(course):]
		}
	}
	return out
}

// Draw draws the film of a visit in the named group, as [Draw] does or, where
// unseen, [DrawUnseen].
func (v *Visit) Draw(rng *rand.Rand, group string, isUnseen bool) Scene {
	ranges := &seen
	if isUnseen {
		ranges = &unseen
	}
	d := &drawing{Rand: rand.New(rand.NewPCG(v.person, peopleStream)), Ranges: ranges, group: groups[0]}
	femur := d.femurOf(v)
	s := drawOf(&femur, rng, group, ranges)
	s.Unseen = isUnseen
	d.sign(&s, v)
	return s
}

// Published differences between the sides of healthy people: anteversion 4.3 ±
// 3.8° (OTSR 2016), anterior radius r = 0.605 from side to side (2022, 150
// femora), all lengths below 2 mm (Young 2013); the rest as in other.
const (
	anteversionApart = 5.4 // mean size 4.3 of a normal variable
	bowAlike         = 0.605
)

// Published courses of thickenings that both sides have: in 62.9 % of people,
// 76.3 % of these within 50 mm and 53.9 % within 25 mm of the mirrored level
// (Probyn 2015), which a normal variable of this standard deviation in mm fits.
const (
	bothSides   = 0.629
	mirrorApart = 38.0
)

// femurOf draws the femur that a visit shows: both of the person's, then what
// time does to it. It draws alike for every visit of one person.
func (d *drawing) femurOf(v *Visit) Anatomy {
	d.focal = true
	right := d.anatomy()
	right.Side = measure.Right
	left := d.other(right)
	left.Anteversion += anteversionApart * d.NormFloat64()
	within := func(s span, x float64) float64 { return math.Max(s.lo, math.Min(s.hi, x)) }
	middle, sd := (d.SagittalBow.lo+d.SagittalBow.hi)/2, (d.SagittalBow.hi-d.SagittalBow.lo)/math.Sqrt(24) // of usual
	left.SagittalBow = within(d.SagittalBow, middle+bowAlike*(right.SagittalBow-middle)+math.Sqrt(1-bowAlike*bowAlike)*sd*d.NormFloat64())
	left.Anteversion, left.NeckShaft = within(d.Anteversion, left.Anteversion), within(d.NeckShaft, left.NeckShaft)

	for _, f := range right.Focal {
		f.Level = math.Max(40, math.Min(0.62*left.Length, f.Level+mirrorApart*d.NormFloat64()))
		f.Height *= span{0.5, 1}.even(d.Rand)
		left.Focal = append(left.Focal, f)
	}
	both, growth, line := d.chance(bothSides), span{1.2, 1.8}.even(d.Rand), span{1, 1.6}.even(d.Rand)
	none := len(v.thickening) == 0
	if none || !both && !v.thickening[measure.Right] {
		right.Focal = nil
	}
	if none || !both && !v.thickening[measure.Left] {
		left.Focal = nil
	}
	a := right
	if v.side == measure.Left {
		a = left
	}
	if v.later {
		for i := range a.Focal {
			a.Focal[i].Height *= growth
			a.Focal[i].LineDepth = math.Min(1, line*a.Focal[i].LineDepth)
		}
	}
	return a
}

// sign writes into the header of a visit's film what all of the person's films
// have in common, or those of one study.
func (d *drawing) sign(s *Scene, v *Visit) {
	h := &s.Facts
	h.PatientID = fmt.Sprintf("HV%06d", d.IntN(1e6))
	h.PatientName = names[d.IntN(len(names))] + "^" + givenNames[d.IntN(len(givenNames))]
	first := time.Date(2014+d.IntN(8), time.Month(1+d.IntN(12)), 1+d.IntN(28), 0, 0, 0, 0, time.UTC)
	second := first.AddDate(0, 0, 180+d.IntN(1200))
	station, kind := stations[d.IntN(len(stations))], d.IntN(3)
	h.StudyDate, h.StudyUID, h.Station = first.Format("20060102"), uid(v.person, 11), station
	if v.later {
		h.StudyDate, h.StudyUID = second.Format("20060102"), uid(v.person, 12)
	}
	if h.Object == SecondaryCapture {
		h.Object, h.Modality = ComputedRadiography, "CR"
	}
	// One service states the scale of all its films in one way.
	h.ImagerPixelSpacing, h.PixelSpacing, h.CalibrationType = s.Plate.Spacing, geom.Spacing{}, ""
	h.PixelAspectRatio, h.MagnificationFactor, h.SourceToDetector, h.SourceToPatient = [2]int{}, 0, 0, 0
	bone := s.Beam.SID / (s.Beam.SID - s.Legs[0].Pose.At[2])
	switch kind {
	case 0:
		h.PixelSpacing = geom.Spacing{Y: math.Round(1e5*s.Plate.Spacing.Y/bone) / 1e5, X: math.Round(1e5*s.Plate.Spacing.X/bone) / 1e5}
		h.CalibrationType = "FIDUCIAL"
	case 1:
		h.MagnificationFactor = math.Round(1e4*bone) / 1e4
	}
}
