// Package accuracy compares measured femurs with the exact truth of simulated
// films and says how large the errors are.
//
// [Compare] pairs rows with truths by where they lie on the film, never by
// order, and gives a [Report]: for every column the number of truths, the bias,
// the median and the 95th percentile of the absolute error and how often the
// truth lies within the row's u95; how many femurs were found; how often side
// and view are right; and which rows or films have no counterpart. It is the
// same for the same films, prints as text, CSV or JSON, and ends with
// [Report.Checks], the lines that a version has to pass.
//
// The package reads truths and records only, no films.
package accuracy
