// Package owner is the pages that look back: what was used and what it cost, what
// does not fit, what was written afterwards, without proof or against a caution, one
// record in full, and each list as a file for a spreadsheet.
//
// Files are written as they are read, so that a long one takes no memory; one that
// cannot be read to its end is broken off. Nothing is written to the books here.
package owner
