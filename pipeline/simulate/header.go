package simulate

import (
	"fmt"
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// marks draws letters and the scale ball.
func (d *drawing) marks() {
	place := func(w float64) geom.PointMM {
		return geom.PointMM{X: span{-0.46, 0.46 - w/d.Plate.Width}.even(d.Rand) * d.Plate.Width, Y: span{-0.46, 0.42}.even(d.Rand) * d.Plate.Height}
	}
	if d.chance(0.8) {
		text := string(d.Legs[0].Anatomy.Side)
		if d.legs == 2 && d.chance(0.7) {
			text = []string{"R", "L"}[d.IntN(2)]
		}
		m := Mark{Text: text, Height: span{8, 22}.even(d.Rand), Lead: d.chance(0.6), White: d.chance(0.8)}
		if m.Lead {
			m.Angle = 30 * (d.Float64() - 0.5)
		}
		m.At = place(m.width())
		// Beside the leg, where a person would put it.
		if d.legs != 2 && d.chance(0.8) {
			x := d.Beam.project(d.Legs[0].Pose.At).X
			side := 1.0
			if d.chance(0.5) {
				side = -1
			}
			m.At.X = max(-0.47*d.Plate.Width, min(0.47*d.Plate.Width-m.width(), x+side*span{45, 95}.even(d.Rand)))
		}
		if d.legs == 2 { // the patient's right is on the left
			m.At.X = abs(m.At.X) + 10
			if m.Text == "R" {
				m.At.X = -m.At.X - m.width()
			}
			m.At.X = max(-0.48*d.Plate.Width, min(0.48*d.Plate.Width-m.width(), m.At.X))
		}
		d.Marks = append(d.Marks, m)
		if d.legs == 2 && d.chance(0.5) {
			n := m
			n.Text = map[string]string{"R": "L", "L": "R"}[m.Text]
			n.At.X = -m.At.X - m.width()
			d.Marks = append(d.Marks, n)
		}
	}
	words := []string{"ERECT", "SUPINE", "HV 03", "AP", "LAT", "K.T.", "12:41", "PORT", "114", "WB"}
	for range []int{0, 0, 0, 1, 1, 2}[d.IntN(6)] {
		m := Mark{Text: words[d.IntN(len(words))], Height: span{4, 9}.even(d.Rand), Lead: d.chance(0.2), White: d.chance(0.8), Turned: d.chance(0.5)}
		m.At = place(m.width())
		if m.Text == "AP" && d.lateral || m.Text == "LAT" && !d.lateral {
			m.Text = "HV"
		}
		d.Marks = append(d.Marks, m)
	}
	if d.chance(0.12) {
		x := d.Beam.project(d.Legs[0].Pose.At)
		side := 1.0
		if d.chance(0.5) {
			side = -1
		}
		c := geom.PointMM{X: x.X + side*span{50, 90}.even(d.Rand), Y: span{-0.35, 0.4}.even(d.Rand) * d.Plate.Height}
		m := d.Beam.SID / (d.Beam.SID - d.Legs[0].Pose.At[2])
		d.Metal = append(d.Metal, Metal{A: c, B: c, Radius: m * []float64{12.5, 12.7, 15}[d.IntN(3)], Mean: 0.5})
	}
}

// facts draws what the header says of the film.
func (d *drawing) facts() {
	f := &d.Facts
	*f = Facts{Issuer: "HARROWVALE", PatientID: fmt.Sprintf("HV%06d", d.IntN(1e6)),
		PatientName: names[d.IntN(len(names))] + "^" + givenNames[d.IntN(len(givenNames))],
		StudyDate:   fmt.Sprintf("20%02d%02d%02d", 14+d.IntN(12), 1+d.IntN(12), 1+d.IntN(28)),
		StudyUID:    uid(d.Seed, 1), SeriesUID: uid(d.Seed, 2), InstanceUID: uid(d.Seed, 3),
		Station: stations[d.IntN(len(stations))]}
	f.Object = []Object{ComputedRadiography, DigitalPresentation, DigitalPresentation, DigitalPresentation, SecondaryCapture}[d.IntN(5)]
	if d.processing {
		f.Object = DigitalProcessing
	} else if d.chance(0.05) {
		f.Object = Fluoroscopy
	}
	f.Modality = map[Object]string{ComputedRadiography: "CR", DigitalPresentation: "DX", DigitalProcessing: "DX", Fluoroscopy: "RF", SecondaryCapture: "OT"}[f.Object]
	// The pixel's relation to intensity: bone bright (Inverted: bone dark) is what is stored.
	if d.Style.Linear {
		f.PixelIntensityRelationship = "LIN"
	} else {
		f.PixelIntensityRelationship = "LOG"
	}
	f.PixelIntensitySign = -1
	if d.Style.Inverted {
		f.PixelIntensitySign = 1
	}
	d.scaleFacts(f)
	d.planeFacts(f)
	f.BodyPart = []string{"FEMUR", "LEG", "EXTREMITY", "", "HIP"}[d.IntN(5)]
	if d.group.name == "pelvis" {
		f.BodyPart = "PELVIS"
	}
	if d.chance(0.5) {
		view := "AP"
		if d.lateral {
			view = "LAT"
		}
		f.SeriesDescription = "Femur " + view
	}
	if d.contradiction {
		d.contradict(f)
	}
}

// scaleFacts draws what the header says of the scale: calibrated, a factor, distances or the
// detector's spacing alone.
func (d *drawing) scaleFacts(f *Facts) {
	pitch := d.Plate.Spacing
	bone := d.Beam.SID / (d.Beam.SID - d.Legs[0].Pose.At[2])
	round := func(v float64, n float64) float64 { return math.Round(v*n) / n }
	f.ImagerPixelSpacing = pitch
	switch k := d.Float64(); {
	case f.Object == SecondaryCapture:
		f.ImagerPixelSpacing = geom.Spacing{}
		if d.chance(0.5) {
			f.PixelSpacing = geom.Spacing{Y: round(pitch.Y/bone, 1e5), X: round(pitch.X/bone, 1e5)}
			f.CalibrationType = "FIDUCIAL"
		} else if pitch.X != pitch.Y {
			f.PixelAspectRatio = [2]int{int(math.Round(pitch.Y * 1e4)), int(math.Round(pitch.X * 1e4))}
		}
	case k < 0.3:
		f.PixelSpacing = geom.Spacing{Y: round(pitch.Y/bone, 1e5), X: round(pitch.X/bone, 1e5)}
		f.CalibrationType = []string{"FIDUCIAL", "GEOMETRY"}[d.IntN(2)]
	case k < 0.5:
		f.MagnificationFactor = round(bone, 1e4)
	case k < 0.7:
		f.SourceToDetector = round(d.Beam.SID, 1)
		f.SourceToPatient = round(d.Beam.SID-span{30, 80}.even(d.Rand), 1)
	default:
		if d.chance(0.5) {
			f.PixelSpacing = pitch
		}
		if d.chance(0.5) {
			f.SourceToDetector = round(d.Beam.SID, 1)
		}
	}
}

// sideWord is the film's side as Image Laterality has it.
func (d *drawing) sideWord() string {
	if d.legs == 2 {
		return "B"
	}
	return string(d.Legs[0].Anatomy.Side)
}

// planeFacts draws what the header says of side, view and orientation.
func (d *drawing) planeFacts(f *Facts) {
	side := d.sideWord()
	switch k := d.Float64(); {
	case k < 0.6:
		f.ImageLaterality = side
	case k < 0.75 && side != "B":
		f.Laterality = side
	}
	if d.chance(0.6) {
		f.ViewPosition = "AP"
		if d.lateral {
			f.ViewPosition = []string{"LL", "RL"}[d.IntN(2)]
			if d.chance(0.3) {
				f.ViewPosition = "LAT"
			}
		}
	} else if d.chance(0.5) {
		f.ViewCode = "399348003"
		if d.lateral {
			f.ViewCode = "399260004" // medio-lateral
			if d.Legs[0].Pose.Turn < 0 {
				f.ViewCode = "399352003"
			}
		}
	}
	if d.chance(0.55) {
		f.PatientOrientation = d.orientation()
	}
}

// contradict has the header name the wrong side, or the wrong view.
func (d *drawing) contradict(f *Facts) {
	side := d.sideWord()
	wrong := map[string]string{"R": "L", "L": "R"}[side]
	f.ImageLaterality, f.Laterality = wrong, ""
	d.Contradictions = []string{"side"}
	if d.chance(0.5) {
		f.ImageLaterality = side
		f.PatientOrientation = [2]string{}
		f.ViewCode, f.ViewPosition = "", "LL"
		if d.lateral {
			f.ViewPosition = "AP"
		}
		d.Contradictions = []string{"view"}
	}
}

// orientation returns Patient Orientation: the anatomical direction to which
// the rows and the columns of the stored image run (PS3.3, C.7.6.1.1.1).
func (d *drawing) orientation() [2]string {
	g := d.Plate.grid()
	leg := d.Legs[0]
	p := leg.Pose
	p.Slant = 0
	pl := p.placement()
	name := func(v geom.PointMM) string {
		dir := pl.inverse.mul(vec{v.X, v.Y, 0})
		best, letter := 0.0, ""
		lateral, medial := "L", "R"
		if leg.Pose.Side == measure.Right {
			lateral, medial = "R", "L"
		}
		for i, pair := range [3][2]string{{lateral, medial}, {"A", "P"}, {"F", "H"}} {
			if abs(dir[i]) > best {
				best = abs(dir[i])
				letter = pair[0]
				if dir[i] < 0 {
					letter = pair[1]
				}
			}
		}
		return letter
	}
	return [2]string{name(g.dx), name(g.dy)}
}

// uid returns a UID below 2.25 made from a seed.
func uid(seed, n uint64) string {
	return fmt.Sprintf("2.25.%d%019d", 1+mix(seed)%1e9, mix(seed^n<<48)%1e19)
}

// Invented names of people and rooms.
var (
	names      = []string{"Ashdown", "Brackley", "Corvane", "Dunmere", "Elswick", "Fenholt", "Garrowby", "Hathersedge"}
	givenNames = []string{"Avis", "Berenice", "Clement", "Dorothea", "Edwin", "Flora", "Gideon", "Honor"}
	stations   = []string{"HV-ROOM1", "HV-ROOM2", "HV-MOBILE", "HV-CLINIC"}
)
