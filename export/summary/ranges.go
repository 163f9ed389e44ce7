package summary

import (
	"shaftgauge/export/chart"
	"shaftgauge/measure"
)

// published are ranges of healthy or mixed adults in print, by column and bow
// plane. They are drawn behind the distributions to compare with, not to judge a
// film by: populations, methods and magnification differ.
func published(q measure.Quantity, plane string) []chart.Range {
	switch q {
	case measure.NeckShaftAngle:
		// C. S. Fischer et al., Acta Orthop. 2020: 3226 adults, MRI.
		return []chart.Range{{Low: 114, High: 140, Source: "2.5 to 97.5 % of 3226 adults, Fischer et al. 2020"}}
	case measure.AnatomicLateralDistal:
		return []chart.Range{{Low: 79, High: 83, Source: paley}}
	case measure.MechanicalLateralDistal:
		return []chart.Range{{Low: 85, High: 90, Source: paley}}
	case measure.AnatomicMechanicalAngle:
		return []chart.Range{{Low: 5, High: 9, Source: paley}}
	case measure.CanalFlareIndex:
		// The class between a straight and a flared canal.
		return []chart.Range{{Low: 3, High: 4.7, Source: "middle class of Noble et al. 1988"}}
	case measure.BowRadius:
		if plane == "sagittal" {
			return []chart.Range{{Low: 480, High: 1920, Source: "mean ± 2 SD of 948 femora, Egol et al. 2004"}}
		}
	}
	return nil
}

const paley = "Paley 2002, chapter 1"
