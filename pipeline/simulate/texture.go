package simulate

import (
	"math"
	"sync"
)

// tile is periodic noise of zero mean and unit variance.
type tile struct{ v []float32 }

const tileSize = 256

var (
	tiles    [8]*tile
	tileOnce [8]sync.Once
)

// texture returns one of a few noise tiles.
func texture(seed uint64) *tile {
	k := seed % uint64(len(tiles))
	tileOnce[k].Do(func() { tiles[k] = newTile(k) })
	return tiles[k]
}

func newTile(seed uint64) *tile {
	n := tileSize
	a := make([]float32, n*n)
	for i := range a {
		a[i] = gauss(seed<<32 + uint64(i))
	}
	// Two octaves of white noise made smooth along both axes, wrapped around.
	b := append([]float32(nil), a...)
	blur := func(v []float32, m int) {
		tmp := make([]float32, len(v))
		for y := range n {
			for x := range n {
				var s float32
				for k := -m; k <= m; k++ {
					s += v[y*n+(x+k+n)%n]
				}
				tmp[y*n+x] = s
			}
		}
		for y := range n {
			for x := range n {
				var s float32
				for k := -m; k <= m; k++ {
					s += tmp[(y+k+n)%n*n+x]
				}
				v[y*n+x] = s
			}
		}
	}
	blur(a, 1)
	blur(b, 4)
	norm := func(v []float32) {
		var s float64
		for _, x := range v {
			s += float64(x) * float64(x)
		}
		k := float32(1 / math.Sqrt(s/float64(len(v))))
		for i := range v {
			v[i] *= k
		}
	}
	norm(a)
	norm(b)
	for i := range a {
		a[i] += 0.8 * b[i]
	}
	norm(a)
	return &tile{a}
}

// at reads the tile at (x, y), bilinearly and periodically.
func (t *tile) at(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	ix, iy := int(fx)&(tileSize-1), int(fy)&(tileSize-1)
	jx, jy := (ix+1)&(tileSize-1), (iy+1)&(tileSize-1)
	x, y = x-fx, y-fy
	a, b := float64(t.v[iy*tileSize+ix]), float64(t.v[iy*tileSize+jx])
	c, d := float64(t.v[jy*tileSize+ix]), float64(t.v[jy*tileSize+jx])
	return (1-y)*((1-x)*a+x*b) + y*((1-x)*c+x*d)
}

// mix is the finaliser of splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// gauss is a nearly normal number of unit variance made from a counter: the sum
// of four uniform ones.
func gauss(counter uint64) float32 {
	z := mix(counter)
	s := int64(z&0xffff) + int64(z>>16&0xffff) + int64(z>>32&0xffff) + int64(z>>48) - 2*0xffff
	return float32(s) * (1.7320508 / 65536)
}
