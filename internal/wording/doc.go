// Package wording turns values of the contract and of folded state into the words
// that people read, the same in commands, pages and files: enums, patients, marks
// of records, lengths of time, cautions.
//
// Every function is pure. It knows no replica: what needs a name that only the
// books know is worded in package query.
package wording
