package detect

import "math"

// maxParams is how many unknowns a system of normal equations may have.
const maxParams = 8

// normal is a system of normal equations with n unknowns, and the sum of squares of its
// right sides.
type normal struct {
	n       int
	a       [maxParams][maxParams + 1]float64
	squares float64
}

func (e *normal) add(row [maxParams]float64, y float64) {
	for p, v := range row[:e.n] {
		if v == 0 {
			continue
		}
		for q, w := range row[:e.n] {
			e.a[p][q] += v * w
		}
		e.a[p][maxParams] += v * y
	}
	e.squares += y * y
}

// solve returns the coefficients and the sum of squares left, by Gauss's and
// Jordan's elimination: the matrix is positive definite.
func (e *normal) solve() (c [maxParams]float64, rest float64) {
	a := e.a
	for p := range e.n {
		for r := range e.n {
			if r == p {
				continue
			}
			f := a[r][p] / a[p][p]
			for q := p; q < e.n; q++ {
				a[r][q] -= f * a[p][q]
			}
			a[r][maxParams] -= f * a[p][maxParams]
		}
	}
	rest = e.squares
	for p := range e.n {
		c[p] = a[p][maxParams] / a[p][p]
		rest -= c[p] * e.a[p][maxParams]
	}
	return c, math.Max(rest, 0)
}
