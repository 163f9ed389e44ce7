package detect

import (
	_ "embed"
	"math"

	"shaftgauge/measure/geom"
)

var (
	//go:embed trochanter.onnx
	trochanterONNX []byte
	//go:embed trochanter_again.onnx
	trochanterAgainONNX []byte
)

// trochanterNets place the tip of the lesser trochanter on a patch from 10 mm
// beyond the mid-line to 53 mm on the trochanter's side. The first is exact on blunt
// tips and leaves pointed ones open; the second, which has learnt these too, is asked
// where the first sees a tip but not its level, on frontal views without an implant
// there: on lateral ones, and beside a stem, it was sure of levels a centimetre off.
var trochanterNets = [2]patchNetwork{newTrochanterNet("trochanter", trochanterONNX), newTrochanterNet("second trochanter", trochanterAgainONNX)}

func newTrochanterNet(name string, onnx []byte) patchNetwork {
	return patchNetwork{network: newNetwork(name, onnx), rows: 96, cols: 64, marks: 1, mm: 1, row: 48, col: 10}
}

const (
	tipProb   = 0.5  // that the tip is on the patch
	tipSigma  = 1.5  // mm, least standard uncertainty of a tip's level: it is blunt, and on real surfaces up to 4 mm off
	tipUnsure = 4.0  // mm; a level less certain than this is not known
	tipFlank  = 12.0 // mm above the tip that must be seen: without its upper flank nothing shows where it stands out most
	axisFrom  = 15.0 // mm below the coarse level, from where
	axisTo    = 75.0 // to where the shaft's line is carried up through the patch
)

// trochanterTip returns the tip of the lesser trochanter around level k of the
// mid-line, with the standard uncertainty of its level; nil where it is not on
// the film, with its upper flank in the field, or its level would be a guess.
func trochanterTip(g *plane, m midline, sp geom.Spacing, exposed field, k int, clockwise, again bool) (*Landmark, error) {
	p, down, ok := m.chord(k+int(axisFrom/m.step), k+int(axisTo/m.step))
	if !ok {
		return nil, nil
	}
	for i := range trochanterNets {
		n := &trochanterNets[i]
		found, _, err := n.find(n.frame(p, down, m.p[k], clockwise), g, sp)
		if err != nil {
			return nil, err
		}
		tip := found[0]
		flank := tip.at.Sub(down.Mul(tipFlank))
		at := sp.Px(flank)
		if _, seen := g.at(at.X, at.Y); !seen || tip.there < tipProb || exposed.cuts(flank, 0) {
			return nil, nil
		}
		if sigma := math.Hypot(tip.along, tipSigma); sigma <= tipUnsure {
			return &Landmark{P: sp.Px(tip.at), Sigma: sigma}, nil
		}
		if !again {
			break
		}
	}
	return nil, nil
}
