package detect

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// asShown returns a simulated film as the reader hands it on: bone bright.
func asShown(f simulate.Film) Image {
	img := Image{Rows: f.Rows, Cols: f.Cols, Spacing: f.Truth.Spacing, HasScale: f.Truth.Spacing.X > 0, Pixels: f.Pixels}
	if !img.HasScale {
		img.Spacing = geom.Spacing{Y: 1, X: 1}
	}
	if f.Monochrome1 {
		img.Pixels = make([]uint16, len(f.Pixels))
		for i, v := range f.Pixels {
			img.Pixels[i] = uint16(1<<f.Bits-1) - v
		}
	}
	return img
}

// Turned by a right angle or mirrored, a film gives the same bone: the widths
// stay, and what lies clockwise of proximal changes sides in a mirror only.
func TestFemursFollowTheFilm(t *testing.T) {
	scene := simulate.Draw(rand.New(rand.NewPCG(5, 1)), "ap_full")
	img := asShown(scene.Render())
	plain := one(t, img)
	for _, c := range []struct {
		name     string
		place    func(x, y int) (int, int, int, int) // new place and size
		mirrored bool
	}{
		{"turned", func(x, y int) (int, int, int, int) { return img.Rows - 1 - y, x, img.Rows, img.Cols }, false},
		{"upside down", func(x, y int) (int, int, int, int) {
			return img.Cols - 1 - x, img.Rows - 1 - y, img.Cols, img.Rows
		}, false},
		{"mirrored", func(x, y int) (int, int, int, int) { return img.Cols - 1 - x, y, img.Cols, img.Rows }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, cols, rows := c.place(0, 0)
			other := Image{Rows: rows, Cols: cols, HasScale: img.HasScale, Spacing: img.Spacing, Pixels: make([]uint16, len(img.Pixels))}
			if rows != img.Rows {
				other.Spacing = geom.Spacing{Y: img.Spacing.X, X: img.Spacing.Y}
			}
			for y := range img.Rows {
				for x := range img.Cols {
					u, v, _, _ := c.place(x, y)
					other.Pixels[v*cols+u] = img.Pixels[y*img.Cols+x]
				}
			}
			f := one(t, other)
			if f.ProximalFirst < 0.9 || f.FrontalView < 0.9 {
				t.Errorf("proximal first %.2f, frontal %.2f", f.ProximalFirst, f.FrontalView)
			}
			if (f.LateralClockwise > 0.5) == (plain.LateralClockwise > 0.5) == c.mirrored {
				t.Errorf("lateral clockwise %.2f, was %.2f", f.LateralClockwise, plain.LateralClockwise)
			}
			if a, b := meanWidth(plain), meanWidth(f); math.Abs(a-b) > 0.1 {
				t.Errorf("mean outer width %.2f mm, was %.2f", b, a)
			}
		})
	}
}

func one(t *testing.T, img Image) Femur {
	t.Helper()
	found, err := Femurs(img)
	if err != nil || len(found) != 1 {
		t.Fatalf("%d femurs, %v", len(found), err)
	}
	return found[0]
}

// meanWidth is the mean distance of the outer edges over their common middle.
func meanWidth(f Femur) float64 {
	a, b := f.OuterClockwise.P, f.OuterCounter.P
	sum, n := 0.0, 0.0
	for _, p := range a[len(a)/4 : 3*len(a)/4] {
		best := math.Inf(1)
		for _, q := range b {
			best = math.Min(best, f.WorkingSpacing.MM(p).Sub(f.WorkingSpacing.MM(q)).Norm())
		}
		sum += best
		n++
	}
	return sum / n
}

func TestBlankFilm(t *testing.T) {
	if _, err := Femurs(Image{Pixels: make([]uint16, 400*300), Rows: 400, Cols: 300, Spacing: geom.Spacing{Y: 0.5, X: 0.5}, HasScale: true}); !errors.Is(err, ErrBlank) {
		t.Errorf("blank film: %v", err)
	}
	if _, err := Femurs(Image{Pixels: make([]uint16, 10), Rows: 4, Cols: 3, Spacing: geom.Spacing{Y: 1, X: 1}}); err == nil {
		t.Error("pixels that do not fit the size pass")
	}
}

// A steel ball hides all: its shadow's radius is a closed form, r·M.
func TestFindMarker(t *testing.T) {
	const rows, cols = 700, 900
	img := Image{Rows: rows, Cols: cols, Spacing: geom.Spacing{Y: 0.2, X: 0.2}, HasScale: true, Pixels: make([]uint16, rows*cols)}
	for y := range rows {
		for x := range cols {
			v := 5000 + 4*x
			if math.Hypot(float64(x)-412.4, float64(y)-280.7) < 75 {
				v = 60000
			}
			img.Pixels[y*cols+x] = uint16(v)
		}
	}
	m, err := FindMarker(img, 25)
	if err != nil || m == nil {
		t.Fatalf("no marker, %v", err)
	}
	if math.Abs(m.Diameter-30) > 0.15 || math.Hypot(m.Centre.X-412.4, m.Centre.Y-280.7) > 1 {
		t.Errorf("marker %+v, want a diameter of 30 mm at (412.4, 280.7)", m)
	}
	if m, _ := FindMarker(img, 60); m != nil {
		t.Errorf("a ball smaller than it is: %+v", m)
	}
}
