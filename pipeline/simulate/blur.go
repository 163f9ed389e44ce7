package simulate

import (
	"math"
)

// gaussian returns p blurred with the standard deviations sx, sy in pixels. Wide
// blurs are three box means (Wells, IEEE Trans. PAMI 8 (1986) 234–239).
func (p *plane) gaussian(sx, sy float64) *plane {
	return p.blurRows(sx).blurCols(sy)
}

func kernel(s float64) []float32 {
	n := int(math.Ceil(3.2 * s))
	k := make([]float32, n+1)
	sum := 0.0
	for i := range k {
		v := math.Exp(-float64(i*i) / (2 * s * s))
		k[i] = float32(v)
		sum += v
		if i > 0 {
			sum += v
		}
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	return k
}

// boxes returns the half-widths of three boxes whose variances sum to s².
func boxes(s float64) [3]int {
	ideal := math.Sqrt(12*s*s/3 + 1)
	lo := (int(ideal) - 1) / 2 // half-width of the smaller odd box
	w := float64(2*lo + 1)
	m := int(math.Round((12*s*s - 3*w*w - 12*w - 9) / (-4*w - 4)))
	var b [3]int
	for i := range b {
		b[i] = lo
		if i >= m {
			b[i] = lo + 1
		}
	}
	return b
}

func (p *plane) blurRows(s float64) *plane {
	if s < 0.15 {
		return p
	}
	out := newPlane(p.rows, p.cols)
	n := p.cols
	if s < 3 {
		k := kernel(s)
		m := len(k) - 1
		rows(p.rows, func(r int) {
			src, dst := p.v[r*n:(r+1)*n], out.v[r*n:(r+1)*n]
			for c := range dst {
				sum := k[0] * src[c]
				if c >= m && c+m < n {
					for i := 1; i <= m; i++ {
						sum += k[i] * (src[c-i] + src[c+i])
					}
				} else {
					for i := 1; i <= m; i++ {
						sum += k[i] * (src[max(c-i, 0)] + src[min(c+i, n-1)])
					}
				}
				dst[c] = sum
			}
		})
		return out
	}
	b := boxes(s)
	rows(p.rows, func(r int) {
		dst := out.v[r*n : (r+1)*n]
		copy(dst, p.v[r*n:(r+1)*n])
		tmp := make([]float32, n)
		for _, m := range b {
			copy(tmp, dst)
			k := 1 / float64(2*m+1)
			sum := float64(m) * float64(tmp[0])
			for i := 0; i <= m; i++ {
				sum += float64(tmp[min(i, n-1)])
			}
			for c := range dst {
				dst[c] = float32(sum * k)
				sum += float64(tmp[min(c+m+1, n-1)] - tmp[max(c-m, 0)])
			}
		}
	})
	return out
}

func (p *plane) blurCols(s float64) *plane {
	if s < 0.15 {
		return p
	}
	out := newPlane(p.rows, p.cols)
	n := p.cols
	if s < 3 {
		k := kernel(s)
		m := len(k) - 1
		rows(p.rows, func(r int) {
			dst := out.v[r*n : (r+1)*n]
			for i := -m; i <= m; i++ {
				w := k[max(i, -i)]
				q := min(max(r+i, 0), p.rows-1)
				src := p.v[q*n : (q+1)*n]
				for c, v := range src {
					dst[c] += w * v
				}
			}
		})
		return out
	}
	b := boxes(s)
	copy(out.v, p.v)
	const strip = 256
	strips := (n + strip - 1) / strip
	work := func(i int) {
		lo, hi := i*strip, min((i+1)*strip, n)
		w := hi - lo
		tmp := make([]float32, p.rows*w)
		sum := make([]float64, w)
		for _, m := range b {
			for r := range p.rows {
				copy(tmp[r*w:(r+1)*w], out.v[r*n+lo:r*n+hi])
			}
			for c := range w {
				sum[c] = float64(m) * float64(tmp[c])
			}
			for j := 0; j <= m; j++ {
				row := tmp[min(j, p.rows-1)*w:]
				for c := range w {
					sum[c] += float64(row[c])
				}
			}
			k := 1 / float64(2*m+1)
			for r := range p.rows {
				in, gone := tmp[min(r+m+1, p.rows-1)*w:], tmp[max(r-m, 0)*w:]
				dst := out.v[r*n+lo : r*n+hi]
				for c := range dst {
					dst[c] = float32(sum[c] * k)
					sum[c] += float64(in[c] - gone[c])
				}
			}
		}
	}
	if p.rows < 600 {
		for i := range strips {
			work(i)
		}
		return out
	}
	// rows shares the strips among the processors.
	rows(max(strips, 600), func(i int) {
		if i < strips {
			work(i)
		}
	})
	return out
}

// shrunk returns p averaged over blocks of k × k pixels.
func (p *plane) shrunk(k int) *plane {
	out := newPlane((p.rows+k-1)/k, (p.cols+k-1)/k)
	for r := range out.rows {
		for c := range out.cols {
			var s float32
			n := 0
			for y := r * k; y < min((r+1)*k, p.rows); y++ {
				for x := c * k; x < min((c+1)*k, p.cols); x++ {
					s += p.v[y*p.cols+x]
					n++
				}
			}
			out.v[r*out.cols+c] = s / float32(n)
		}
	}
	return out
}

// enlarged reads p, a plane shrunk by k, at the pixel (x, y) of the large one.
func (p *plane) enlarged(x, y, k int) float32 {
	fx := (float32(x)+0.5)/float32(k) - 0.5
	fy := (float32(y)+0.5)/float32(k) - 0.5
	fx, fy = max(fx, 0), max(fy, 0)
	ix, iy := min(int(fx), p.cols-1), min(int(fy), p.rows-1)
	jx, jy := min(ix+1, p.cols-1), min(iy+1, p.rows-1)
	fx, fy = fx-float32(ix), fy-float32(iy)
	a, b := p.v[iy*p.cols+ix], p.v[iy*p.cols+jx]
	c, d := p.v[jy*p.cols+ix], p.v[jy*p.cols+jx]
	return (1-fy)*((1-fx)*a+fx*b) + fy*((1-fx)*c+fx*d)
}
