// Package review serves the pages on which a person works through the rows of a
// finished run: looks at a film with what was found on it, corrects a landmark
// or an edge, accepts or rejects.
//
// [Server] answers the pages' requests. A correction is measured by the film
// worker of the batch, so its numbers are made by the same code. [Store] keeps
// every decision as a row that is only ever appended. [Outcomes] says what
// the decisions come to, for tables and registries.
//
// The package opens no address by itself (the command does) and knows films and
// rows by their place in the output only: no path that a browser sends reaches
// the file system.
package review
