package export

import "shaftgauge/measure"

// Number returns v and its expanded uncertainty as the tables write them: with
// digits decimals, the uncertainty rounded up. Both are empty where v is no
// finite number.
func Number(v measure.Value, digits int) (x, u95 string) { return cells(v, digits) }
