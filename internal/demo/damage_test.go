package demo

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestTortureDamage spoils one file of one machine in every round: a bit, a byte,
// zeros, a cut, emptied or gone, over every kind of file that lies in a data folder.
// The program goes on with everything it had, or says what it lacks, or refuses to
// start in one line; then it gets back what it lacks from the others.
func TestTortureDamage(t *testing.T) {
	k := newTorture(t, "flips and truncations", 3, 10, 1000)
	m := mishaps{torture: k, kinds: map[string]int{}, said: map[string]int{}}
	for round := range k.rounds {
		for _, s := range k.n.sites() {
			require.NoError(t, k.add(s, 2))
		}
		k.settle(fmt.Sprintf("before round %d", round))
		m.round(round)
	}
	k.figures.Met = fmt.Sprint(m.said, " over ", m.kinds)
	k.tell()
}

// mishaps counts what happened to files, and what was said of it.
type mishaps struct {
	*torture
	kinds, said map[string]int
}

// round spoils a file while its program is stopped, and sees what comes of it.
func (m *mishaps) round(round int) {
	s := m.victim()
	s.proc.kill()
	kind, path := m.file(filepath.Join(m.n.dir, s.name))
	was, err := os.ReadFile(path)
	require.NoError(m.t, err)
	how := m.spoil(path, was)
	what := fmt.Sprintf("round %d: %s of %s, %s", round, how, s.name, kind)
	m.kinds[kind]++
	found, code := m.verify(s)
	m.alone(s)
	if err := s.open(m.t.Context(), m.n.cfg.Program, m.n.dir); err != nil {
		m.refused(s, what, err)
		require.NoError(m.t, os.WriteFile(path, was, 0o600)) // from a copy, as it says
		m.open(s, "with its file back after "+what)
	} else {
		m.started(s, what, found, code)
	}
	m.together()
	m.settle(what)
}

// refused holds a refusal to one line that names a folder or a file.
func (m *mishaps) refused(s *site, what string, err error) {
	m.said["refused"]++
	text := lastLine(s.log)
	require.Contains(m.t, text, m.n.dir, "%s: %v", what, err)
	require.NotContains(m.t, strings.ToLower(text), "panic", what)
}

// started looks whether something is missing, before anybody can bring it back.
func (m *mishaps) started(s *site, what, found string, code int) {
	lacks := m.lacks(s, m.n.acks[max(0, len(m.n.acks)-60):])
	st, err := s.audit.GetStatus(m.t.Context(), &pb.GetStatusRequest{})
	require.NoError(m.t, err, what)
	switch {
	case len(lacks) == 0:
		m.said["went on"]++
	case code == 0 && len(st.Repairs) == 0 && len(st.SetAside) == 0:
		m.figures.Silent++
		m.t.Logf("%s: %d entries are missing and nobody said so; verify: %s", what, len(lacks), found)
	default:
		m.said["told"]++
	}
}

// alone cuts a site off from the others.
func (m *mishaps) alone(s *site) {
	for _, l := range []*site{m.n.north, m.n.south} {
		if l == s || s == m.n.clinic {
			l.wire.Cut()
		}
	}
}

func (m *mishaps) together() {
	m.n.north.wire.Restore()
	m.n.south.wire.Restore()
}

// file takes a file of the kind that was met least. Kinds are the names that stand
// still, and the endings of those that count up.
func (m *mishaps) file(dir string) (kind, path string) {
	kinds := map[string][]string{}
	require.NoError(m.t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		kind := d.Name()
		if folder := filepath.Base(filepath.Dir(path)); filepath.Dir(path) != dir && folder != filepath.Base(dir) {
			kind = folder + "/" + filepath.Ext(kind)
		}
		kinds[kind] = append(kinds[kind], path)
		return nil
	}))
	names := slices.Sorted(maps.Keys(kinds))
	least := slices.MinFunc(names, func(a, b string) int { return m.kinds[a] - m.kinds[b] })
	if m.random.IntN(2) == 0 { // half of all are records
		least = "journal/.journal"
	}
	of := kinds[least]
	return least, of[m.random.IntN(len(of))]
}

// spoil does one thing to a file and says what.
func (m *mishaps) spoil(path string, was []byte) string {
	at := 0
	if len(was) > 0 {
		at = m.random.IntN(len(was))
	}
	now, how := slices.Clone(was), ""
	switch act := m.random.IntN(6); {
	case act == 0 || len(was) == 0:
		require.NoError(m.t, os.Remove(path))
		return "removed"
	case act == 1:
		now[at] ^= 1 << m.random.IntN(8)
		how = fmt.Sprintf("bit flipped at %d of %d", at, len(was))
	case act == 2:
		now[at] ^= byte(1 + m.random.IntN(255))
		how = fmt.Sprintf("byte changed at %d of %d", at, len(was))
	case act == 3:
		clear(now[at:min(len(now), at+1+m.random.IntN(4096))])
		how = fmt.Sprintf("zeros from %d of %d", at, len(was))
	case act == 4:
		now, how = now[:at], fmt.Sprintf("cut to %d of %d", at, len(was))
	default:
		now, how = nil, "emptied"
	}
	require.NoError(m.t, os.WriteFile(path, now, 0o600))
	return how
}
