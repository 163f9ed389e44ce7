package agreement

import "math"

// Weights say how much of an agreement a near miss is.
type Weights int

// The weights of ordered categories i, j of k: none, 1 − |i−j|/(k−1), and
// 1 − (i−j)²/(k−1)².
const (
	Plain Weights = iota
	Linear
	Quadratic
)

func (w Weights) of(i, j, k int) float64 {
	d := math.Abs(float64(i-j)) / float64(k-1)
	switch {
	case w == Linear:
		return 1 - d
	case w == Quadratic:
		return 1 - d*d
	case i == j:
		return 1
	}
	return 0
}

// Kappa returns Cohen's kappa of a square table of counts, first reader by row,
// second by column (C60), with the large-sample interval of FCE69.
func Kappa(table [][]int, w Weights) (Coefficient, error) {
	k := len(table)
	if k < 2 {
		return Coefficient{}, ErrTooFew
	}
	n := 0.0
	for _, row := range table {
		if len(row) != k {
			return Coefficient{}, ErrUnequal
		}
		for _, c := range row {
			if c < 0 {
				return Coefficient{}, ErrUnequal
			}
			n += float64(c)
		}
	}
	if n == 0 {
		return Coefficient{}, ErrTooFew
	}
	rows, cols := make([]float64, k), make([]float64, k)
	for i, row := range table {
		for j, c := range row {
			rows[i] += float64(c) / n
			cols[j] += float64(c) / n
		}
	}
	var observed, expected float64
	meanRow, meanCol := make([]float64, k), make([]float64, k)
	for i := range k {
		for j := range k {
			observed += w.of(i, j, k) * float64(table[i][j]) / n
			expected += w.of(i, j, k) * rows[i] * cols[j]
			meanRow[i] += w.of(i, j, k) * cols[j]
			meanCol[j] += w.of(i, j, k) * rows[i]
		}
	}
	if expected == 1 {
		return Coefficient{}, ErrDegenerate
	}
	kappa := (observed - expected) / (1 - expected)
	sum := 0.0
	for i := range k {
		for j := range k {
			sum += float64(table[i][j]) / n * square(w.of(i, j, k)-(meanRow[i]+meanCol[j])*(1-kappa))
		}
	}
	variance := (sum - square(kappa-expected*(1-kappa))) / (n * square(1-expected))
	half := normal975 * math.Sqrt(math.Max(variance, 0))
	return Coefficient{kappa, Interval{kappa - half, kappa + half}}, nil
}
