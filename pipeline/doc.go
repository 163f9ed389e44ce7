// Package pipeline runs a batch: films in, records out, in the order of the
// films whatever the number of workers.
//
// A film goes through four stages, each on its own goroutines:
//
//  1. its content is hashed, and what the ledger already knows is not measured again;
//  2. a worker process (cmd/filmworker) measures it, under a time and a memory limit;
//  3. the [Sink] writes its own files, then the ledger keeps its answer;
//  4. when all films are done, the Sink gets every answer once more, in order.
//
// So a run can be killed at any moment and started again: what the ledger holds
// is kept, the rest is measured, and the output is the same byte for byte. A
// film that takes its worker down costs one row its numbers and nothing else.
//
// Start with [Run]. The package links no C; the method itself is in
// pipeline/film, on the other side of the process boundary.
package pipeline
