// Package detect finds femurs on a film and traces the edges of their shafts.
//
// [Femurs] takes a film from coarse to fine; its files in the order of its calls:
//
//   - Locate: the exposed part of the film becomes a small grid (field.go,
//     grid.go), on which a network marks bone, direction and landmarks (locate.go);
//     each connected shaft becomes a candidate with a mid-line (candidates.go), and
//     two more networks say whether it is a femur's (recognise.go).
//   - Trace: each shaft is followed in a straightened strip, where the two edges of
//     a cortex are found together as smooth ordered lines by dynamic programming
//     (strip.go, path.go). Then the profile of a projected tube is fitted, first to
//     whole stretches and next to each level at full resolution (kernel.go, tube.go,
//     blocks.go, trace.go), on into the flare of the knee (reach.go).
//   - What is in the way: metal (metal.go, metalnet.go), letters (letters.go), a
//     shaft in parts that do not meet (broken.go, kink.go). What goes on as one shaft
//     is kept (keep.go).
//   - Strip edges: along each cortex a finer trace (course.go) follows the outer edge
//     as one line (outline.go); a network looks along it (cortexnet.go), and its edges
//     take the fitted ones' place where it is sure of them (adopt.go). On the same
//     trace dark lines are looked for ([Femur.LucentLines]: lucent.go, lucentband.go,
//     lucentline.go).
//   - Doubt: the edges once more by another method (second.go), and how far the film
//     goes on beyond them (beyond.go).
//   - Landmarks: networks look at straightened patches (patch.go): the lesser
//     trochanter (trochanter.go), the hip (hip.go), the knee (kneenet.go); head, neck
//     and condyles are fitted to the film itself (head.go, neck.go; knee.go, kneearc.go,
//     kneeoutline.go). What was fitted then speaks for a femur, its view and its
//     direction (believe.go).
//
// A person's corrections are made on what was found (hand.go, draw.go). [FindMarker]
// finds the ball that tells a scale, [Picture] makes a copy to look at.
//
// Places are pixels of the stored image, (0, 0) at the centre of the first
// pixel. Inside, lengths are millimetres by the film's spacing; a film without
// a scale is given a working scale from the width of the bone itself.
//
// # Ownership of Mats
//
// Who creates a gocv.Mat closes it. A Mat argument is borrowed. No Mat leaves
// the package.
package detect
