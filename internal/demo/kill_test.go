package demo

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// perRound bounds what the writers enter between two rounds, so that a long run
// stays a run of many rounds and not of many records.
const perRound = 24

// TestTortureKills kills the server and both agents again and again while all
// three write and exchange. In the end every acknowledged entry is on all three,
// all three agree, no log was forked and every replica verifies from end to end.
func TestTortureKills(t *testing.T) {
	k := newTorture(t, "kills", 8, 25, 500)
	k.write()
	for round := range k.rounds {
		k.allowed.Add(perRound)
		k.pause(120)
		victim := k.victim()
		victim.proc.kill()
		if round%3 == 0 { // the others go on alone for a while
			k.pause(200)
		}
		k.open(victim, "after a kill")
	}
	k.stopWriting()
	k.tell()
	for _, s := range k.n.sites() {
		require.Positive(t, k.told[s.name], "%s acknowledged nothing", s.name)
		st := ask(k.n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
		require.Empty(t, st.GetSetAside(), s.name)
		found := ask(k.n, s, s.audit.ListDiscrepancies, &pb.ListDiscrepanciesRequest{})
		require.Empty(t, found.GetDiscrepancies(), "%s: a log was forked, or the like", s.name)
	}
	require.NoError(t, k.n.err)
	k.verified()
}
