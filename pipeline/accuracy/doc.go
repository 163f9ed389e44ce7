// Package accuracy compares measured femurs with the exact truth of simulated
// films and says how large the errors are.
//
// [Compare] pairs rows with truths by where they lie on the film, never by
// order, and gives a [Report], for all films and for each group of them: for
// every column the number of truths, the bias, the median and the 95th
// percentile of the absolute error and how often the truth lies within the row's
// u95, judged by a Wilson interval; how many femurs were found; how often side
// and view are right; rows by status and reason; focal thickenings by height and
// lucent lines by width, found, missed and invented; implants named, and numbers
// given beside metal; what was said of broken femurs, of turned legs and of
// pictures that show no femur; and which rows or films have no counterpart. It is
// the same for the same films and prints as text, CSV or JSON. [Report.Checks]
// are the lines that a version has to pass.
//
// The package reads truths and records only, no films.
package accuracy
