// Package say is what the program says: every sentence stands in one catalogue,
// english.txt, and code and templates say it by its key.
//
// Text gives a sentence as text, Marked as HTML in which the values are text whatever
// they hold, and List the items of a list. Tests fail on a sentence that is missing,
// that nothing says, or that is said with other values.
package say
