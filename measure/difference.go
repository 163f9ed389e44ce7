package measure

import (
	"math"
	"slices"
)

// Difference is one column of two rows set against each other. A value that its
// row does not have is nil; Less is nil where the values cannot be compared,
// and Reasons say why.
type Difference struct {
	Quantity Quantity
	Unit     string // UCUM, of the values
	A, B     *Value
	// Less is A − B. Its uncertainty is the root of the sum of squares of both
	// (JCGM 100:2008, 5.1.2, no correlation): where the rows share an error, such
	// as the scale of one film, the difference is known better than that.
	Less       *Value
	Resolvable Resolvable
	Reasons    []Reason
}

// Resolvable says whether a difference exceeds its expanded uncertainty.
type Resolvable string

// The answers; empty where none can be given.
const (
	Resolved    Resolvable = "yes"
	NotResolved Resolvable = "no"
)

// Reason codes of a pair's rows, besides those of the scale that rows have
// themselves. Each has its sentence in [PairReasons].
const (
	FilmOnly           Reason = "of_the_film"
	ScaleBasisDiffers  Reason = "scale_basis_differs"
	LevelsNotAlike     Reason = "levels_not_alike"
	StretchDiffers     Reason = "bow_stretch_differs"
	BowsOpposite       Reason = "bows_opposite"
	OtherThickening    Reason = "other_thickening"
	TurnedDifferently  Reason = "turned_differently"
	NeckShaftTolerance Reason = "neck_shaft_5_deg"
	MirrorNotSeen      Reason = "mirror_level_not_seen"
	MirrorEmpty        Reason = "none_at_mirror_level"
)

// PairReasons explains every code in the reasons column of pairs.csv.
var PairReasons = []ReasonText{
	{FilmOnly, "The column says how the film was taken, not how the bone is: no difference is given."},
	{ScaleBasisDiffers, "The scales of the two rows rest on different bases: lengths are not compared."},
	{LevelsNotAlike, "Levels do not count from the lesser trochanter on both films: they are not compared."},
	{StretchDiffers, "The two films show different stretches of the shaft, and a bow depends on its stretch: it is not compared."},
	{BowsOpposite, "The two shafts bow to opposite sides: their radii are not compared, their curvatures are."},
	{OtherThickening, "The most prominent thickenings of the two rows lie at different levels: their sizes are not compared."},
	{TurnedDifferently, "The lesser trochanter stands out by different amounts: the legs may have been turned differently, which changes projected angles and bows without any change of the bone."},
	{NeckShaftTolerance, "The neck-shaft angles differ by 5 degrees or more, in common practice the tolerance of alignment (no source)."},
	{MirrorNotSeen, "The film of the other side does not show the mirrored level, or its lateral cortex could not be assessed."},
	{MirrorEmpty, "No thickening was found on the other side within 50 mm of the mirrored level."},
	{ScaleDetector, "At least one of two films has lengths in the detector's plane: how much its magnification adds to the difference is not known, so it is not said whether it is resolvable."},
	{ScaleLowerBound, "At least one of two films has only a lower bound of its magnification: how much that adds to the difference is not known, so it is not said whether it is resolvable."},
	{ScaleConflict, "Two statements of scale on at least one of two films contradict each other, so it is not said whether the difference is resolvable."},
}

// neckShaftTolerance in degrees: common practice, no source.
const neckShaftTolerance = 5

// likeStretch is the part of the longer stretch that both films must show for
// their bows to be compared. The bow's radius moves by 5–20 % with other ends of
// the diaphysis, so the ends must be nearly the same. No source for 0.9.
const likeStretch = 0.9

// Differences compares every uncertain column that both rows of a pair of femurs
// have, and the number of focal thickenings; for sides, the places of these
// follow.
func (p Pair) Differences(femurs []Femur) []Difference {
	a, b := &femurs[p.A], &femurs[p.B]
	var out []Difference
	for _, col := range Columns {
		if !col.Uncertain && Quantity(col.Name) != FocalCount {
			continue
		}
		if d, ok := differ(&a.Record, &b.Record, p.Kind, col); ok {
			out = append(out, d)
		}
	}
	if p.Kind == Sides {
		out = append(out, mirrored(a, b)...)
	}
	return out
}

// difference compares one quantity of a pair of femurs.
func (p Pair) difference(femurs []Femur, q Quantity) (Difference, bool) {
	return differ(&femurs[p.A].Record, &femurs[p.B].Record, p.Kind, ColumnOf(q))
}

// differ compares one column that both rows have.
func differ(a, b *Record, kind PairKind, col Column) (Difference, bool) {
	va, okA := a.Values[Quantity(col.Name)]
	vb, okB := b.Values[Quantity(col.Name)]
	if !okA || !okB {
		return Difference{}, false
	}
	if !col.Uncertain {
		va.U95, vb.U95 = math.NaN(), math.NaN()
	}
	d := Difference{Quantity: Quantity(col.Name), Unit: col.Unit, A: &va, B: &vb}
	if why := incomparable(a, b, kind, col); why != "" {
		return d.refuse(why), true
	}
	d.less(va, vb)
	if !col.Uncertain {
		d.Resolvable = ""
	}
	if lengthy(col) {
		d.heedScale(a, b)
	}
	if slices.Contains(projected, d.Quantity) && turnedDifferently(a, b) {
		d.Reasons = append(d.Reasons, TurnedDifferently)
	}
	if d.Quantity == NeckShaftAngle && math.Abs(d.Less.X) >= neckShaftTolerance {
		d.Reasons = append(d.Reasons, NeckShaftTolerance)
	}
	return d, true
}

// lengthy says whether a column depends on the scale.
func lengthy(col Column) bool { return col.Unit == "mm" || col.Unit == "m-1" }

// OfTheFilm says whether a column tells how the film was taken and nothing of the
// bone: where the visible shaft lies and how long it is.
func OfTheFilm(q Quantity) bool {
	return slices.Contains([]Quantity{ShaftAxis, VisibleFrom, VisibleTo, BowSpan}, q)
}

// incomparable says why a column of two rows cannot be compared; empty where it
// can.
func incomparable(a, b *Record, kind PairKind, col Column) Reason {
	q := Quantity(col.Name)
	switch {
	case OfTheFilm(q):
		return FilmOnly
	case slices.Contains([]Quantity{BowApex, IsthmusLevel, FocalLevel}, q) && !sameOrigin(a, b):
		return LevelsNotAlike
	case slices.Contains([]Quantity{BowCurvature, BowRadius, BowAngle, BowSagitta, BowApex}, q) && !sameStretch(a, b):
		return StretchDiffers
	case q == BowRadius && a.Values[BowCurvature].X*b.Values[BowCurvature].X < 0:
		return BowsOpposite
	case slices.Contains([]Quantity{FocalHeight, FocalLength, LucentLineDepthFraction, LucentLineAngle}, q) && !sameThickening(a, b, kind):
		return OtherThickening
	case lengthy(col) && a.ScaleBasis != b.ScaleBasis:
		return ScaleBasisDiffers
	}
	return ""
}

func (d Difference) refuse(why Reason) Difference {
	d.Reasons = append(d.Reasons, why)
	return d
}

// less sets the difference of a and b.
func (d *Difference) less(a, b Value) {
	d.Less = &Value{X: a.X - b.X, U95: math.Hypot(a.U95, b.U95)}
	d.Resolvable = NotResolved
	if math.Abs(d.Less.X) > d.Less.U95 {
		d.Resolvable = Resolved
	}
}

// heedScale takes back whether a length's difference is resolvable where two
// films have magnifications that are not known: no uncertainty holds them.
func (d *Difference) heedScale(a, b *Record) {
	if a.Source == b.Source && a.Frame == b.Frame {
		return
	}
	for _, code := range []Reason{ScaleDetector, ScaleLowerBound, ScaleConflict} {
		if slices.Contains(a.Reasons, code) || slices.Contains(b.Reasons, code) {
			d.Reasons, d.Resolvable = append(d.Reasons, code), ""
		}
	}
}

// sameOrigin says whether the levels of both rows count from the lesser
// trochanter: the top of a visible shaft is another place on every film.
func sameOrigin(a, b *Record) bool {
	return a.LevelOrigin == "lesser_trochanter" && b.LevelOrigin == a.LevelOrigin
}

// sameStretch says whether both bows were taken over nearly the same stretch:
// levels that overlap by likeStretch of the longer, or, where levels are not
// alike, the whole diaphysis on both films.
func sameStretch(a, b *Record) bool {
	if !sameOrigin(a, b) {
		return !slices.Contains(a.Reasons, DiaphysisCut) && !slices.Contains(b.Reasons, DiaphysisCut)
	}
	fromA, toA, fromB, toB := a.Values[VisibleFrom].X, a.Values[VisibleTo].X, b.Values[VisibleFrom].X, b.Values[VisibleTo].X
	return min(toA, toB)-max(fromA, fromB) >= likeStretch*max(toA-fromA, toB-fromB)
}

// projected are the quantities that turning the leg changes: it mixes the two
// planes of the bow, and foreshortens the neck.
var projected = []Quantity{BowCurvature, BowRadius, BowAngle, BowAngle50, BowSagitta, CanalFlareIndex,
	NeckShaftAngle, FemoralOffset, AnatomicLateralDistal, MechanicalLateralDistal, AnatomicMechanicalAngle}

// turnedDifferently says whether the lesser trochanter stands out of both shafts
// by amounts that differ by more than their uncertainty.
func turnedDifferently(a, b *Record) bool {
	va, okA := a.Values[TrochanterProfile]
	vb, okB := b.Values[TrochanterProfile]
	return okA && okB && math.Abs(va.X-vb.X) > math.Hypot(va.U95, vb.U95)
}

// sameThickening says whether the most prominent thickenings of both rows may be
// one (over time: no farther apart than half the longer one's length at half its
// height) or mirror each other.
func sameThickening(a, b *Record, kind PairKind) bool {
	if !sameOrigin(a, b) {
		return false
	}
	apart := math.Abs(a.Values[FocalLevel].X - b.Values[FocalLevel].X)
	if kind == Sides {
		return apart <= mirrorReach
	}
	return apart <= max(a.Values[FocalLength].X, b.Values[FocalLength].X)/2
}
