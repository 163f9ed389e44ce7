// Package measure turns geometry in millimetres into the quantities of a femur
// film, and holds the record of one row.
//
// All functions are pure: no files, no images, no global state, arguments are
// not modified ([Review] writes to the rows that it orders). Lengths are
// geom.MM, angles are radians (geom.Angle) until they are written to a [Record].
// Start with [NewShaft] and [Shaft.Measure]; below
// them are [FitCircle], [FitArc] and [FitLine]. [Columns] and [Reasons] are the
// dictionary of what a row can say. [Pairs] and [Review] look at all rows of a run.
//
// Nothing here judges an image or a bone. What has no answer is an [*Error] with
// a [Reason] code, or is absent from [Record.Values]; no number stands for
// "missing", except NaN in the profile of one shaft. Every measured number
// carries its expanded uncertainty, propagated from the edges' own and from an
// [ErrorModel].
//
// # Sources
//
// GGS94: W. Gander, G. H. Golub, R. Strebel, Least-squares fitting of circles
// and ellipses, BIT 34 (1994) 558–578.
//
// KAR91: V. Karimäki, Effective circle fitting for particle trajectories, Nucl.
// Instrum. Meth. A 305 (1991) 187–191.
//
// PRA87: V. Pratt, Direct least-squares fitting of algebraic surfaces, Computer
// Graphics 21 (1987) 145–152.
//
// JCGM 100:2008: Evaluation of measurement data, Guide to the expression of
// uncertainty in measurement.
package measure
