package simulate

import (
	"math"
	"math/rand/v2"
)

// roughness is a random relief of a polar surface: smooth noise of one scale with a
// finer one upon it, its values bent so that hollows and ridges differ.
type roughness struct {
	along  float64 // mm from node to node along the shaft
	around int     // nodes around; 1: the same all round
	fine   float64 // share of the finer scale
	form   form
	height float64 // mm, the standard deviation
	patchy float64 // 0 … 1: how much the height changes along the shaft,
	patch  float64 // over so many mm
	slant  float64 // turns by mm along the shaft
}

// form is what becomes of smooth noise.
type form int

const (
	waves     form = iota
	scallops       // round hollows, ridges between them
	knolls         // the same upside down
	hollows        // single ones in an even surface
	ridges         // single ones that stand out of it
	terraces       // steps
	formCount = iota
)

// bend returns the value of the form, of about the same spread, + outward.
func (f form) bend(v float64) float64 {
	switch f {
	case scallops:
		return 1.65 * (0.8 - abs(v))
	case knolls:
		return 1.65 * (abs(v) - 0.8)
	case hollows:
		return 2 * (max(0, v-0.6) - 0.17)
	case ridges:
		return -2 * (max(0, v-0.6) - 0.17)
	case terraces:
		return 1.2 * math.Tanh(3*v)
	}
	return v
}

// noiseSheet is smooth noise of unit variance over a sheet that closes around.
type noiseSheet struct {
	rows, cols int
	v          []float64
}

func newNoiseSheet(rng *rand.Rand, rows, cols int) *noiseSheet {
	s := &noiseSheet{rows, cols, make([]float64, rows*cols)}
	for i := range s.v {
		s.v[i] = rng.NormFloat64()
	}
	return s
}

// spline are the weights of the four nodes around f of the way from the second to
// the third, by the cubic B-spline.
func spline(f float64) [4]float64 {
	g := 1 - f
	return [4]float64{g * g * g / 6, (3*f*f*f - 6*f*f + 4) / 6, (3*g*g*g - 6*g*g + 4) / 6, f * f * f / 6}
}

// at is the value y nodes along and x turns around; the spread of the spline's
// mean of nodes, 0.69 each way, is made up for.
func (s *noiseSheet) at(y, x float64) float64 {
	const spread = 0.69
	iy := int(math.Floor(y))
	wy := spline(y - float64(iy))
	if s.cols == 1 {
		sum := 0.0
		for k, w := range wy {
			sum += w * s.v[min(max(iy+k, 0), s.rows-1)]
		}
		return sum / spread
	}
	u := (x - math.Floor(x)) * float64(s.cols)
	ix := int(u)
	wx := spline(u - float64(ix))
	sum := 0.0
	for k, w := range wy {
		row := s.v[min(max(iy+k, 0), s.rows-1)*s.cols:]
		for l, q := range wx {
			sum += w * q * row[(ix+l)%s.cols]
		}
	}
	return sum / (spread * spread)
}

// unevenly moves the surface r of p, + outward.
func (p *polar) unevenly(rng *rand.Rand, r []float32, u roughness) {
	long := polarStep * float64(p.n)
	nodes := func(step float64) int { return int(long/step) + 5 }
	coarse := newNoiseSheet(rng, nodes(u.along), u.around)
	const finer = 0.4
	fine := newNoiseSheet(rng, nodes(finer*u.along), min(polarAngles/2, 2*u.around+1))
	patch := newNoiseSheet(rng, nodes(u.patch), 1)
	norm := u.height / math.Hypot(1, u.fine)
	for i := range p.n {
		z := polarStep * float64(i)
		h := norm * math.Exp(u.patchy*patch.at(z/u.patch, 0))
		for a := range polarAngles {
			x := float64(a)/polarAngles + u.slant*z
			v := coarse.at(z/u.along, x)
			if u.fine > 0 {
				v += u.fine * fine.at(z/(finer*u.along), x)
			}
			r[i*polarAngles+a] += float32(h * u.form.bend(v))
			if u.around == 1 && u.fine == 0 {
				for b := 1; b < polarAngles; b++ {
					r[i*polarAngles+b] += float32(h * u.form.bend(v))
				}
				break
			}
		}
	}
	p.open()
}

// wear gives the surfaces of a strip's bone their unevenness, of every scale and
// kind. None of it is a thickening.
func (j *stripJob) wear() {
	r := j.Rand
	// The long course of both surfaces.
	for _, s := range [2][]float32{j.p.out, j.p.in} {
		if j.chance(0.35) {
			j.p.unevenly(r, s, roughness{along: span{35, 110}.wide(r), around: 1 + j.IntN(4), height: 0.35 * j.Float64(), patch: 100})
		}
	}
	if j.chance(0.3) {
		j.p.unevenly(r, j.p.out, roughness{along: span{1.5, 20}.wide(r), around: 4 + j.IntN(20), fine: j.Float64(), height: span{0.01, 0.12}.wide(r),
			patchy: 0.7 * j.Float64(), patch: j.even(20, 80)})
	}
	// The inner surface.
	if j.chance(0.75) {
		for range 1 + j.IntN(2) {
			u := roughness{along: span{2, 40}.wide(r), around: int(span{1, 30}.wide(r)), form: form(j.IntN(formCount)), height: span{0.02, 0.35}.wide(r),
				patchy: 0.8 * j.Float64(), patch: j.even(15, 90)}
			if j.chance(0.6) {
				u.fine = 0.8 * j.Float64()
			}
			if j.chance(0.3) {
				u.slant = 0.01 * j.NormFloat64()
			}
			j.p.unevenly(r, j.p.in, u)
		}
	}
	// How soft its edge is changes along the shaft.
	if j.chance(0.5) {
		k, step := 0.5*j.Float64(), j.even(6, 60)
		s := newNoiseSheet(r, int(polarStep*float64(j.p.n)/step)+5, 1)
		for i := range j.p.soft {
			j.p.soft[i] = min(j.p.soft[i]*math.Exp(k*s.at(polarStep*float64(i)/step, 0)), max(2.5, j.p.soft[i]))
		}
	}
	// Bone that has become spongy from inside.
	if j.chance(0.25) {
		j.streaks = streaks{bone: span{0.1, 1.5}.wide(r), deep: span{0.4, 4}.wide(r), across: span{0.3, 1.2}.wide(r), along: span{2, 12}.wide(r)}
	}
	if j.chance(0.5) {
		j.pores = 0.25 * j.Float64() * j.Float64()
		j.poreSize = span{0.12, 0.5}.wide(r)
	}
	if j.chance(0.15) {
		for range 1 + j.IntN(5) {
			j.void(j.p.z0+polarStep*float64(j.IntN(j.p.n)), span{2, 16}.wide(r), span{0.2, 0.6}.wide(r), j.side+j.even(-70, 70), j.even(-6, 6))
		}
	}
}

// streaks are trabeculae that fade into the canal.
type streaks struct {
	bone          float64 // mm of it at the inner edge
	deep          float64 // mm in which they fade
	across, along float64 // mm, their size
}
