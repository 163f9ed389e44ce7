// Package dicom writes what was measured on a film as DICOM objects that refer
// to it: [WriteReport] a Comprehensive 3D SR by TID 1500, [WritePresentation] a
// grayscale softcopy presentation state with the drawn geometry, and
// [WriteCapture] an overlay picture as secondary capture.
//
// Coordinates of [measure.Geometry] count from the centre of the first pixel,
// those of DICOM from its outer corner (PS3.3 C.10.5.1.2, C.18.6.1.1): half a
// pixel is added on the way out.
//
// UIDs are made from what the object says, below 2.25 (PS3.5 B.2): the same rows
// of the same film give the same UID, other rows another.
//
// Concepts have the codes of PS3.16 where it has one that means the same;
// constructions are named by private codes under [Scheme]. What the objects
// repeat of the film's header comes as a [Header]: this package reads no file.
//
// # Sources
//
// PS3.3: A.33.1, A.35.13, A.8.1 and the modules named there. PS3.16: TID 300,
// 310, 320, 1001–1004, 1204, 1500, 1501, 1600–1603, 4019; CID 42, 225, 244.
package dicom
