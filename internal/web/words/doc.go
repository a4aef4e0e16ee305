// Package words is what the pages say: sentences of the catalogue (internal/say) as
// text or as HTML, and numbers, times and code words as people read them. What
// services answer (states, cautions, dated lists) comes in their own words.
//
// Tests fail on English in a template, in the code or in the script.
package words
