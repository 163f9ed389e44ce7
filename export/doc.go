// Package export writes what a run found: the tables and their CSV on the Web
// descriptions, the profiles, one geometry file a femur, run.json, and overlay
// pictures.
//
// Every writer is a plain function from records to bytes: the same records
// give the same bytes. Numbers come in fixed decimals, a cell that was not
// measured is empty, and text that came from a file is made harmless for
// spreadsheets ([SafeText]). Entry points: [Measurements] and the other
// tables, [NewProfiles], [WriteGeometry], [WriteJSON], [Overlay] and
// [WriteFileAtomic]. The package knows records only; it reads no film and
// decides nothing about a measurement.
package export
