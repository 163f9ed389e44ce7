// Package source turns what the user names (files, folders, DICOMDIRs, .zip
// archives) into the ordered list of films of a run.
//
// [List] opens nothing but file heads: a film is recognised by its content,
// and by its name only where the content is damaged. Every film listed gets a
// row; what is no film is skipped and said so. Folders and DICOMDIRs never
// lead out of their root, archives never to a place on disk. The package links
// no C and decodes no picture.
package source
