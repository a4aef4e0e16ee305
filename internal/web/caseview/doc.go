// Package caseview is one case as the pages of its path read it, at one moment: the
// patient, the bags with how far each has come, the steps with what was recorded,
// and the one obvious next step. Of reads it; all else is asked of the View.
//
// It words and adds up what the records say, and asks the engine what follows. It
// writes nothing, and no page is made here.
package caseview
