// Package registry fills the empty cells of a fracture registry's table with
// measured values.
//
// A [Map], written by the registry, says which of its columns identify a film and
// which column takes which measurement. [Fill] never overwrites a cell: what is
// there stays, and where it disagrees with the films it is listed. Every fill and
// every refusal has a line in the audit.
package registry
