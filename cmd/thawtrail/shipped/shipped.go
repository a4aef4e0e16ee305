// Package shipped holds the texts that go with the program: what changed from one
// release to the next, and the notices of the libraries in it.
package shipped

import _ "embed" // the texts below

// Changes tells what changed, the newest release first.
//
//go:embed changes.txt
var Changes string

// Notices are the licences and notices of every library in the program; the release
// makes the file, and its test says when it is no longer true.
//
//go:embed notices.txt
var Notices string
