// Package simulate renders femur radiographs of exactly known truth.
//
// A [Scene] holds everything that is on a film: bones in three dimensions, soft
// tissue, beam, detector, processing and header. [Draw] draws one at random from
// a named group, [Scene.Render] makes the film, and [Coarse] makes a small sample
// with label planes for training. Every length is in mm, every angle in radians
// unless its name says otherwise.
//
// Body frame of a femur: x lateral, y anterior, z distal, with z = 0 at the level
// of the lesser trochanter's tip. World frame: X right and Y down on the film as
// it is looked at (from the X-ray source), Z from the detector to the source. A
// ray runs from a place on the detector (Z = 0) to the source.
//
// Scenes also come from [DrawUnseen] (held-out variation, for judging only),
// [DrawNegative] (no femur), [Archive] (people with several films) and
// [Scene.WithMesh] (a femur's surface from an STL file). All ranges stand in
// ranges.go.
//
// # Physics
//
// The chord of every ray through every bone is computed exactly; soft tissue,
// pelvis and gas on coarser grids. Attenuation is summed, hardened, and made
// exposure with heel effect, scatter (a broad blur), focal-spot and detector
// blur, glare and quantum noise; then looked up and sharpened as vendors do.
// The inner edge of the cortex is soft: the mean of nested medullary surfaces,
// whose middle one the truth's contours follow.
//
// # Truth
//
// Lengths are in mm under the film's own header scale ([Facts.Scale]); levels
// count from the lesser trochanter's tip where it is on the film, on lateral
// films too. The anatomic axis of anatomic_mechanical_angle_deg is the
// least-squares mid-diaphyseal line; the knee's centre is the middle between the
// places where the common tangent touches the condyles.
//
// Nothing here finds or measures bone in a picture. Contours of the truth are
// tangent rays to the same surfaces that are rendered.
package simulate
