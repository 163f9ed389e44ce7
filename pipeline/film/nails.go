package film

import "shaftgauge/measure"

// fitNails lays the nails of the user's list into the canal of a femur. Those
// whose tip the film does not show are left out, with one reason for all.
func fitNails(r *measure.Record, s *measure.Shaft, nails []measure.Nail, opt measure.ShaftOptions) (fits []measure.NailFit) {
	for _, n := range nails {
		fit, why := s.FitNail(n, opt)
		switch {
		case why != "":
			r.AddReason(why)
		case fit.Name != "":
			fits = append(fits, fit)
		}
	}
	return fits
}
