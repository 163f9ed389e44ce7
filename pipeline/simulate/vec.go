package simulate

import "math"

// vec is a place or a direction in mm: (x, y, z) of a body frame, (X, Y, Z) of
// the world.
type vec [3]float64

func (a vec) add(b vec) vec           { return vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func (a vec) sub(b vec) vec           { return vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func (a vec) mul(k float64) vec       { return vec{k * a[0], k * a[1], k * a[2]} }
func (a vec) dot(b vec) float64       { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vec) norm() float64           { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec               { return a.mul(1 / a.norm()) }
func (a vec) at(t float64, d vec) vec { return vec{a[0] + t*d[0], a[1] + t*d[1], a[2] + t*d[2]} }

func (a vec) cross(b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// mat is a 3 × 3 matrix by rows.
type mat [3]vec

func (m *mat) mul(v vec) vec {
	return vec{m[0][0]*v[0] + m[0][1]*v[1] + m[0][2]*v[2], m[1][0]*v[0] + m[1][1]*v[1] + m[1][2]*v[2], m[2][0]*v[0] + m[2][1]*v[1] + m[2][2]*v[2]}
}

func (m mat) transposed() mat {
	return mat{{m[0][0], m[1][0], m[2][0]}, {m[0][1], m[1][1], m[2][1]}, {m[0][2], m[1][2], m[2][2]}}
}

// interval is the part of a ray inside a solid, in mm from the detector.
type interval struct{ a, b float64 }

// union sorts iv by its beginnings and returns the total length covered, any
// overlap counted once.
func union(iv []interval) float64 {
	for i := 1; i < len(iv); i++ {
		for j := i; j > 0 && iv[j].a < iv[j-1].a; j-- {
			iv[j], iv[j-1] = iv[j-1], iv[j]
		}
	}
	total, end := 0.0, math.Inf(-1)
	for _, v := range iv {
		if v.b <= end {
			continue
		}
		total += v.b - math.Max(v.a, end)
		end = v.b
	}
	return total
}

func abs(x float64) float64 { return math.Abs(x) }

func sincosDeg(d float64) (s, c float64) { return math.Sincos(d * math.Pi / 180) }
