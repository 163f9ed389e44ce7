package agreement

import (
	"math"
	"slices"
)

// Cut is one place to cut an ordering: what scores at least At is called
// positive.
type Cut struct {
	At                          float64
	TruePositive, FalsePositive float64 // rates
}

// Curve is a receiver operating characteristic.
type Curve struct {
	Area float64 // that a positive scores higher than a negative, ties half
	SE   float64 // DDC88
	CI   Interval
	Cuts []Cut // highest cut first
}

// Area returns the curve of scores (higher: more suspect) against a reference,
// at least two positives and two negatives.
func Area(score []float64, positive []bool) (Curve, error) {
	if len(score) != len(positive) {
		return Curve{}, ErrUnequal
	}
	var pos, neg []float64
	for i, s := range score {
		if math.IsNaN(s) {
			return Curve{}, ErrUnequal
		}
		if positive[i] {
			pos = append(pos, s)
		} else {
			neg = append(neg, s)
		}
	}
	if len(pos) < 2 || len(neg) < 2 {
		return Curve{}, ErrTooFew
	}
	slices.Sort(pos)
	slices.Sort(neg)
	m, n := float64(len(pos)), float64(len(neg))
	byPositive, byNegative := make([]float64, len(pos)), make([]float64, len(neg))
	for i, s := range pos {
		byPositive[i] = (below(neg, s) + notAbove(neg, s)) / (2 * n)
	}
	for i, s := range neg {
		byNegative[i] = 1 - (below(pos, s)+notAbove(pos, s))/(2*m)
	}
	area, vp := moments(byPositive)
	_, vn := moments(byNegative)
	c := Curve{Area: area, SE: math.Sqrt(vp/m + vn/n)}
	c.CI = Interval{math.Max(0, area-normal975*c.SE), math.Min(1, area+normal975*c.SE)}
	cuts := slices.Concat(pos, neg)
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	slices.Reverse(cuts)
	for _, at := range cuts {
		c.Cuts = append(c.Cuts, Cut{at, 1 - below(pos, at)/m, 1 - below(neg, at)/n})
	}
	return c, nil
}

// below and notAbove count the elements of a sorted v that are < s and ≤ s.
func below(v []float64, s float64) float64 {
	i, _ := slices.BinarySearch(v, s)
	return float64(i)
}

func notAbove(v []float64, s float64) float64 {
	i, _ := slices.BinarySearchFunc(v, s, func(x, s float64) int {
		if x <= s {
			return -1
		}
		return 1
	})
	return float64(i)
}
