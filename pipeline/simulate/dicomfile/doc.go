// Package dicomfile stores simulated films as an archive would: as DICOM Part
// 10 files in every transfer syntax that an archive holds, and as folders of
// patients and studies with the truth beside them.
//
// [Write] makes one file, [WriteArchive] a whole archive of the invented Harrow
// Vale fracture service. The header says what the film's Facts say and nothing
// else about it, so a fact that is absent there is absent in the file even where
// its IOD asks for it. The same arguments always give the same bytes.
//
// Compressed frames come from one sub-package a standard: rle (PS3.5 Annex G),
// jpeg (ITU-T T.81), jpegls (T.87) and jpeg2000 (T.800); baseline JPEG comes
// from image/jpeg. No package here reads DICOM.
//
// Sources: DICOM PS3.3 (IODs and modules), PS3.5 (encoding), PS3.10 (file
// format and DICOMDIR).
package dicomfile
