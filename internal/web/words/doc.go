// Package words is what the pages say: every sentence stands in one catalogue,
// english.txt, and templates and code say it by its key. What services answer
// (states, cautions, dated lists) comes in their own words.
//
// Say gives a sentence as text, HTML as HTML in which the values are text whatever
// they hold, and List the items of a list. Beside them are numbers, times and code
// words as people read them.
//
// Tests fail on a sentence that is missing, that nothing says, or that is said with
// other values, and on English in a template, in the code or in the script.
package words
