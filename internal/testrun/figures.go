package testrun

import "testing"

// Figures are what one kind of ill treatment came to. .ci/long gathers the rows of
// all kinds into one table.
type Figures struct {
	Kind         string
	Rounds       int
	Acknowledged int    // entries that a program said are saved
	Lost         int    // of these, on no machine in the end
	Stranded     int    // on some machine in the end, and not on all
	Silent       int    // rounds in which a machine lacked what it had, and did not say so
	Met          string // what else was counted, in words
}

// Row begins the line of every kind.
const Row = "torture"

// Tell prints the row, and fails where anything was lost, stranded or not said.
func (f Figures) Tell(t testing.TB) {
	t.Helper()
	t.Logf("%s | %-22s | %6d | %7d | %4d | %4d | %4d | %s", Row, f.Kind, f.Rounds, f.Acknowledged, f.Lost, f.Stranded, f.Silent, f.Met)
	if f.Acknowledged == 0 || f.Lost+f.Stranded+f.Silent > 0 {
		t.Errorf("%s: entries must be acknowledged, and none lost, stranded or missing without a word", f.Kind)
	}
}
