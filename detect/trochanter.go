package detect

import (
	_ "embed"
	"math"

	"shaftgauge/measure/geom"
)

//go:embed trochanter.onnx
var trochanterONNX []byte

// trochanterNet places the tip of the lesser trochanter on a patch from 10 mm
// beyond the mid-line to 53 mm on the trochanter's side.
var trochanterNet = patchNetwork{network: newNetwork("trochanter", trochanterONNX), rows: 96, cols: 64, marks: 1, mm: 1, row: 48, col: 10}

const (
	tipProb   = 0.5  // that the tip is on the patch
	tipSigma  = 1.5  // mm, least standard uncertainty of a tip's level: it is blunt, and on real surfaces up to 4 mm off
	tipUnsure = 4.0  // mm; a level less certain than this is not known
	axisFrom  = 15.0 // mm below the coarse level, from where
	axisTo    = 75.0 // to where the shaft's line is carried up through the patch
)

// trochanterTip returns the tip of the lesser trochanter around level k of the
// mid-line, with the standard uncertainty of its level; nil where it is not on
// the film or its level would be a guess.
func trochanterTip(g *plane, m midline, sp geom.Spacing, k int, clockwise bool) (*Landmark, error) {
	p, down, ok := m.chord(k+int(axisFrom/m.step), k+int(axisTo/m.step))
	if !ok {
		return nil, nil
	}
	found, _, err := trochanterNet.find(trochanterNet.frame(p, down, m.p[k], clockwise), g, sp)
	if err != nil {
		return nil, err
	}
	tip := found[0]
	sigma := math.Hypot(tip.along, tipSigma)
	if tip.there < tipProb || sigma > tipUnsure {
		return nil, nil
	}
	return &Landmark{P: sp.Px(tip.at), Sigma: sigma}, nil
}
