package agent_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/store"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// smallSegments makes a joined laptop's journal go on in segments of a few records,
// and writes until there are five.
func (l *laptop) smallSegments() {
	l.t.Helper()
	s, err := store.Open(l.t.Context(), l.home().Store(store.Options{Clock: clock.System{}, DeviceName: l.name, SegmentMax: 4 << 10}))
	require.NoError(l.t, err)
	for n := 0; len(l.segments()) < 5; n++ {
		_, err := s.Append(l.t.Context(), store.Draft{Type: 22, Payload: &pb.PlaceAdded{Place: fmt.Sprintf("P%d", n), Name: fmt.Sprintf("freezer %d", n), Kind: pb.PlaceKind_PLACE_KIND_FREEZER}})
		require.NoError(l.t, err)
	}
	require.NoError(l.t, s.Close())
}

func (l *laptop) segments() []string {
	list, err := filepath.Glob(filepath.Join(l.dir, "journal", "*.journal"))
	require.NoError(l.t, err)
	return list
}

// harms are what can happen to a segment; each gets the file and its bytes.
var harms = map[string]func(path string, raw []byte) error{
	"deleted": func(path string, _ []byte) error { return os.Remove(path) },
	"emptied": func(path string, _ []byte) error { return os.Truncate(path, 0) },
	"zeroed":  func(path string, raw []byte) error { return os.WriteFile(path, make([]byte, len(raw)), 0o600) },
	"half zeroed": func(path string, raw []byte) error {
		return os.WriteFile(path, append(raw[:len(raw)/2:len(raw)/2], make([]byte, len(raw)-len(raw)/2)...), 0o600)
	},
	"cut in half": func(path string, raw []byte) error { return os.Truncate(path, int64(len(raw)/2)) },
	"cut by one":  func(path string, raw []byte) error { return os.Truncate(path, int64(len(raw)-1)) },
}

// TestALostJournalIsNotCalledWhole harms each segment of a laptop's journal in each
// way, with the real `verify`: it is never called whole, nor is anything said to
// have been told to nobody; the laptop says it at every start, until a person has
// read it.
func TestALostJournalIsNotCalledWhole(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	l.stop()
	l.smallSegments()
	phrase := phraseFile(t)
	whole := filepath.Join(t.TempDir(), "whole")
	require.NoError(t, os.CopyFS(whole, os.DirFS(l.dir)))
	code, printed := command(t, "verify", "--data", l.dir, "--passphrase-file", phrase)
	require.Zero(t, code, printed)
	require.Contains(t, printed, "no damage was found")
	n := len(l.segments())
	cases := 0
	try := func(what string, harm func(dir string)) {
		cases++
		l.dir = filepath.Join(t.TempDir(), "folder")
		require.NoError(t, os.CopyFS(l.dir, os.DirFS(whole)))
		harm(l.dir)
		l.isSaidToBeCut(what, phrase)
	}
	for way, harm := range harms {
		for place, which := range map[string]int{"first": 0, "middle": n / 2, "last": n - 1} {
			try(place+" "+way, func(string) {
				path := l.segments()[which]
				raw, err := os.ReadFile(path)
				require.NoError(t, err)
				require.NoError(t, harm(path, raw))
			})
		}
		try("all "+way, func(string) {
			for _, path := range l.segments() {
				raw, err := os.ReadFile(path)
				require.NoError(t, err)
				require.NoError(t, harm(path, raw))
			}
		})
	}
	try("the folder deleted", func(dir string) { require.NoError(t, os.RemoveAll(filepath.Join(dir, "journal"))) })
	try("the end and the index deleted", func(dir string) {
		require.NoError(t, os.Remove(l.segments()[n-1]))
		require.NoError(t, os.RemoveAll(filepath.Join(dir, "index")))
	})
	require.Equal(t, 26, cases)
}

// isSaidToBeCut verifies a harmed folder, starts it twice, and reads what is said.
func (l *laptop) isSaidToBeCut(what, phrase string) {
	t := l.t
	t.Helper()
	verify := func(when string) {
		code, printed := command(t, "verify", "--data", l.dir, "--passphrase-file", phrase)
		require.Equal(t, 1, code, "%s, %s: %s", what, when, printed)
		require.NotContains(t, printed, "no damage was found", what)
		require.NotContains(t, printed, "nobody was told that they are saved", what)
	}
	verify("before the first start")
	for _, start := range []string{"first start", "second start"} {
		s, err := store.Open(t.Context(), l.home().Store(store.Options{Clock: clock.System{}, DeviceName: l.name}))
		require.NoError(t, err, what)
		require.NoError(t, s.Scrub(t.Context()), "a running agent does so soon")
		said := strings.Join(s.Repairs(), "\n")
		require.True(t, strings.Contains(said, "gone from this disk") || strings.Contains(said, "the journal is damaged"), "%s, %s: %q", what, start, said)
		require.NoError(t, s.Close())
		verify("after the " + start)
	}
}

// TestALossIsReadByAPerson: a cut-off end is in the laptop's status at every start,
// and no longer once somebody has read it.
func TestALossIsReadByAPerson(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	l.stop()
	last := l.segments()[0]
	info, err := os.Stat(last)
	require.NoError(t, err)
	require.NoError(t, os.Truncate(last, info.Size()-1))
	phrase := phraseFile(t)
	repairs := func() string {
		l.start()
		defer l.stop()
		status, err := l.audit.GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		return strings.Join(status.Repairs, "\n")
	}
	require.Contains(t, repairs(), "gone from this disk")
	require.Contains(t, repairs(), "gone from this disk")
	losses := []string{"losses", "--data", l.dir, "--passphrase-file", phrase}
	code, printed := command(t, losses...)
	require.Equal(t, 1, code, printed)
	require.Contains(t, strings.Join(strings.Fields(printed), " "), "gone from this disk")
	code, printed = command(t, append(losses, "--seen")...)
	require.Zero(t, code, printed)
	require.NotContains(t, repairs(), "gone from this disk")
	code, printed = command(t, "verify", "--data", l.dir, "--passphrase-file", phrase)
	require.Zero(t, code, printed)
}

// TestALostJournalIsSaidByRealPrograms harms the journal of a server and of a laptop,
// whose programs then run: `verify` says so before, after, and after another start, and
// no longer once a person has read it and what is left is whole.
func TestALostJournalIsSaidByRealPrograms(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	l.stop()
	c.stop()
	phrase := phraseFile(t)
	verify := func(dir string) (int, string) {
		return command(t, "verify", "--data", dir, "--passphrase-file", phrase)
	}
	for _, p := range []struct {
		who  string
		dir  *string
		runs func()
	}{
		{"laptop", &l.dir, func() { l.start(); l.stop() }},
		{"server", &c.dir, func() { c.start("127.0.0.1:0"); c.stop() }},
	} {
		whole := *p.dir
		code, printed := verify(whole)
		require.Zero(t, code, "%s: %s", p.who, printed)
		for _, way := range []string{"deleted", "cut by one", "emptied", "zeroed"}[:testrun.Of(2, 4)] {
			*p.dir = filepath.Join(t.TempDir(), "folder")
			require.NoError(t, os.CopyFS(*p.dir, os.DirFS(whole)))
			path := filepath.Join(*p.dir, "journal", "0000000001.journal")
			raw, err := os.ReadFile(path)
			require.NoError(t, err)
			require.NoError(t, harms[way](path, raw))
			for _, when := range []string{"before", "after a start", "after another"} {
				code, printed := verify(*p.dir)
				require.Equal(t, 1, code, "%s %s, %s: %s", p.who, way, when, printed)
				require.NotContains(t, printed, "no damage was found")
				require.NotContains(t, printed, "nobody was told that they are saved")
				p.runs()
			}
			code, printed = command(t, "losses", "--data", *p.dir, "--passphrase-file", phrase, "--seen")
			require.Zero(t, code, printed)
			if way == "deleted" || way == "cut by one" { // nothing unreadable is left
				_, printed = verify(*p.dir)
				require.NotContains(t, printed, "gone from this disk", "%s %s", p.who, way)
			}
		}
		*p.dir = whole
	}
}
