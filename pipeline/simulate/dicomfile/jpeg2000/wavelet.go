package jpeg2000

// kernel is a wavelet as a list of lifting steps (F.4.8). Steps 0, 2, … change
// the odd samples, which become the high-pass band, steps 1, 3, … the even ones.
// A step changes each element of dst by the neighbours of its sample, a and b.
type kernel[T int32 | float32] struct {
	steps     []func(dst, a, b []T)
	low, high T // scale of the even and odd samples at the end
}

// reversible53 is F.4.8.1.
var reversible53 = kernel[int32]{
	steps: []func(dst, a, b []int32){
		func(dst, a, b []int32) {
			for i := range dst {
				dst[i] -= (a[i] + b[i]) >> 1
			}
		},
		func(dst, a, b []int32) {
			for i := range dst {
				dst[i] += (a[i] + b[i] + 2) >> 2
			}
		},
	},
	low: 1, high: 1,
}

// irreversible97 is F.4.8.2 with the constants of Table F.4.
var irreversible97 = kernel[float32]{
	steps: []func(dst, a, b []float32){
		lift(-1.586134342059924),
		lift(-0.052980118572961),
		lift(0.882911075530934),
		lift(0.443506852043971),
	},
	low: 1 / 1.230174104914001, high: 1.230174104914001,
}

func lift(k float32) func(dst, a, b []float32) {
	return func(dst, a, b []float32) {
		for i := range dst {
			dst[i] += k * (a[i] + b[i])
		}
	}
}

// decompose replaces the picture, row by row, by its sub-bands: after each
// level the low-pass part lies in the top left corner, HL right of it, LH below
// and HH beside both (F.4.2).
func decompose[T int32 | float32](plane []T, rows, cols, levels int, k kernel[T]) {
	split := make([]T, len(plane))
	w, h := cols, rows
	for range levels {
		k.columns(plane, w, h, cols)
		for y := range h {
			to := y / 2
			if y%2 == 1 {
				to += (h + 1) / 2
			}
			k.row(split[to*cols:to*cols+w], plane[y*cols:y*cols+w])
		}
		for y := range h {
			copy(plane[y*cols:y*cols+w], split[y*cols:y*cols+w])
		}
		w, h = (w+1)/2, (h+1)/2
	}
}

// columns lifts all columns of the w × h corner in place; rows stay interleaved.
func (k kernel[T]) columns(plane []T, w, h, stride int) {
	if h < 2 {
		return
	}
	row := func(y int) []T {
		if y < 0 {
			y = -y // F.3.7: mirrored at the ends
		}
		if y >= h {
			y = 2*(h-1) - y
		}
		return plane[y*stride : y*stride+w]
	}
	for i, step := range k.steps {
		for y := 1 - i%2; y < h; y += 2 {
			step(row(y), row(y-1), row(y+1))
		}
	}
	for y := range h {
		scale(row(y), [2]T{k.low, k.high}[y%2])
	}
}

// row lifts one row and writes its low-pass and then its high-pass half to dst.
func (k kernel[T]) row(dst, src []T) {
	s, d := dst[:(len(src)+1)/2], dst[(len(src)+1)/2:]
	for i := range d {
		s[i], d[i] = src[2*i], src[2*i+1]
	}
	if len(src)%2 == 1 {
		s[len(s)-1] = src[len(src)-1]
	}
	if len(src) < 2 {
		return
	}
	for i, step := range k.steps {
		if i%2 == 0 {
			n := min(len(d), len(s)-1)
			step(d[:n], s[:n], s[1:n+1])
			if n < len(d) {
				step(d[n:], s[n:], s[n:])
			}
			continue
		}
		n := min(len(s)-1, len(d)-1)
		step(s[:1], d[:1], d[:1])
		step(s[1:n+1], d[:n], d[1:n+1])
		if n+1 < len(s) {
			step(s[n+1:], d[n:], d[n:])
		}
	}
	scale(s, k.low)
	scale(d, k.high)
}

func scale[T int32 | float32](x []T, k T) {
	if k == 1 {
		return
	}
	for i := range x {
		x[i] *= k
	}
}
