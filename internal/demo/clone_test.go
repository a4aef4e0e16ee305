package demo

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/demo/wire"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestTortureClones copies a laptop's whole folder in every round and lets both run
// at once, as after a move to a new machine when the old one is switched on again.
// What either said is saved reaches the server, and somebody is told.
func TestTortureClones(t *testing.T) {
	k := newTorture(t, "clones of a folder", 1, 3, 50)
	for round := range k.rounds {
		s := k.laptop()
		s.proc.kill()
		twin := k.clone(s, round)
		k.open(s, "beside its copy")
		k.open(twin, "as a copy")
		for range 3 {
			require.NoError(t, k.add(s, 1))
			require.NoError(t, k.add(twin, 1))
			require.NoError(t, k.add(k.n.clinic, 1))
		}
		k.n.until("what a copy saved is on the server", func() bool {
			st := ask(k.n, twin, twin.audit.GetStatus, &pb.GetStatusRequest{})
			return st.GetSavedHere()+st.GetSent() == 0
		})
		require.NoError(t, k.n.err, "round %d", round)
		if !k.toldOf(s, twin) {
			k.figures.Silent++
		}
		twin.proc.kill()
		twin.close()
		twin.wire.Close()
		k.settle(fmt.Sprintf("round %d, once the copy of %s is gone", round, s.name))
	}
	k.tell()
}

// clone copies a stopped laptop's folder.
func (k *torture) clone(s *site, round int) *site {
	twin := &site{name: fmt.Sprintf("%s copy %d", s.name, round), place: s.place, args: s.args}
	dir := filepath.Join(k.n.dir, twin.name)
	require.NoError(k.t, os.CopyFS(dir, os.DirFS(filepath.Join(k.n.dir, s.name))))
	words, err := os.ReadFile(filepath.Join(k.n.dir, s.name+".passphrase"))
	require.NoError(k.t, err)
	require.NoError(k.t, os.WriteFile(dir+".passphrase", words, 0o600))
	twin.wire, err = wire.New(k.n.clinic.proc.address)
	require.NoError(k.t, err)
	return twin
}

// toldOf says that either copy or the server tells that there are two.
func (k *torture) toldOf(sites ...*site) bool {
	for _, s := range append(sites, k.n.clinic) {
		st := ask(k.n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
		found := ask(k.n, s, s.audit.ListDiscrepancies, &pb.ListDiscrepanciesRequest{})
		if len(st.GetDifferences())+len(st.GetRepairs())+len(found.GetDiscrepancies()) > 0 {
			return true
		}
	}
	return false
}
