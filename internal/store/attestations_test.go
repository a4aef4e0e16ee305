package store

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// logOf is the folded state of a log; nil when nothing is known of it.
func logOf(t *testing.T, s *Store, id event.LogID) (l *ledger.Log) {
	t.Helper()
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) (err error) {
		l, _, err = Get[*ledger.Log](v, event.LogKey(id))
		return err
	}))
	return l
}

func kindsOf(s ledger.State) (out []string) {
	for _, d := range s.Discrepancies() {
		if d.Open {
			out = append(out, d.Kind)
		}
	}
	return out
}

// pass gives the logs of one device that a holds to b, and no others.
func pass(t *testing.T, a, b *Store, of *Store) {
	t.Helper()
	for _, l := range a.Logs() {
		if !l.Key.Equal(of.public) {
			continue
		}
		run, _, err := a.ReadRun(t.Context(), l.ID, 0, exchange.MaxBatchBytes)
		require.NoError(t, err)
		_, err = b.Ingest(t.Context(), []*pb.Run{run})
		require.NoError(t, err)
	}
}

// statement is a statement of the server about one log.
func statement(number uint64, tip exchange.LogTip) Draft {
	return Draft{Type: event.TypeHubStatement, Payload: &pb.HubStatement{
		HubEpoch: []byte("e"), Number: number, WallUs: night.UnixMicro(),
		Accepted: []*pb.AcceptedTip{{Tip: tip.PB(), NewestWallUs: night.UnixMicro()}},
	}}
}

// A server that tells two laptops two stories is found by the one that comes to
// hold a record of the other, whatever comes first; the index from scratch says
// the same. Once both stories are held, it is a fork and no longer a doubt.
func TestTwoStoriesAreFound(t *testing.T) {
	fs := memfs.New()
	hub, err := Open(t.Context(), memoryOptions(50, fs, index.NewMemory()))
	require.NoError(t, err)
	opt := memoryOptions(50, fs.CrashClone(memfs.Keep), index.NewMemory())
	opt.Random = chacha(51)
	twin, err := Open(t.Context(), opt)
	require.NoError(t, err)
	north := openMemory(t, 52)
	_, err = hub.Append(t.Context(), received("LEFT", "P", "H-1"))
	require.NoError(t, err)
	_, err = twin.Append(t.Context(), received("RIGHT", "P", "H-1"))
	require.NoError(t, err)
	pass(t, hub, north, hub)
	recs, err := north.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	require.NotEmpty(t, recs[0].Head.Seen)
	own := hub.OwnLogs()[0]

	var digests []string
	for i, order := range [][]func(south *Store){
		{func(s *Store) { pass(t, north, s, north) }, func(s *Store) { pass(t, twin, s, hub) }},
		{func(s *Store) { pass(t, twin, s, hub) }, func(s *Store) { pass(t, north, s, north) }},
	} {
		for _, between := range []bool{true, false} { // in two updates of the index, or in one
			disk := memfs.New()
			opt := memoryOptions(53, disk, index.NewMemory())
			south, err := Open(t.Context(), opt)
			require.NoError(t, err)
			order[0](south)
			if between {
				require.NoError(t, south.CatchUp(t.Context()))
			}
			order[1](south)
			l := logOf(t, south, own)
			require.Equal(t, []string{ledger.TwoStories}, kindsOf(l), "order %d", i)
			require.Contains(t, l.Found[0].Records, recs[0].Hash, "it says who was told otherwise")
			require.Empty(t, rows(t, south.opt.Index, "w/"), "no word waits any more")
			requireRebuilt(t, south, opt)
			digests = append(digests, digest(t, south))

			pass(t, hub, south, hub)
			require.Equal(t, []string{ledger.LogForked}, kindsOf(logOf(t, south, own)))
			requireRebuilt(t, south, opt)
			require.NoError(t, south.Close())
		}
	}
	require.Len(t, slices.Compact(digests), 1)
	require.NoError(t, hub.Close())
	require.NoError(t, twin.Close())
}

// A statement about a laptop's own log that cannot be true is a doubt on every
// replica that holds that log; one that names more than the laptop wrote makes it
// begin new logs, as after a loss.
func TestStatementsThatDoNotFit(t *testing.T) {
	hub, north := openMemory(t, 54), openMemory(t, 55)
	_, err := north.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	own := north.OwnLogs()[0]
	tip, _ := north.HeldOne(own)
	state := func(number uint64, seq uint64, hash event.Hash) {
		_, err := hub.Append(t.Context(), statement(number, exchange.LogTip{Log: own, Tip: exchange.Tip{Seq: seq, Hash: hash}}))
		require.NoError(t, err)
		give(t, hub, north)
	}
	state(1, 2, tip.Tip().Hash)
	require.Empty(t, kindsOf(logOf(t, north, own)))
	first, err := north.projection.RecordsAt(own, 1)
	require.NoError(t, err)
	state(2, 1, first[0].Hash)
	require.Equal(t, []string{ledger.StatementInDoubt}, kindsOf(logOf(t, north, own)), "it goes back")
	state(3, 2, tip.Tip().Hash)
	require.Empty(t, kindsOf(logOf(t, north, own)), "and has it again")
	state(4, 2, event.Hash{7})
	require.Equal(t, []string{ledger.StatementInDoubt}, kindsOf(logOf(t, north, own)), "it names another record")
	require.Empty(t, north.Repairs())

	state(5, 9, event.Hash{9})
	require.Len(t, north.Repairs(), 1, "nobody wrote that")
	recs, err := north.Append(t.Context(), received("BAG3", "P", "H-1"))
	require.NoError(t, err)
	require.NotEqual(t, own, recs[0].Log)
	state(6, 11, event.Hash{9})
	_, err = north.Append(t.Context(), received("BAG4", "P", "H-1"))
	require.NoError(t, err)
	require.Len(t, north.OwnLogs(), 2)
	require.Equal(t, recs[0].Log, north.OwnLogs()[0], "a log that is closed is no reason for another one")
}

// A log that the server names for years is folded from a few records, says what
// all of them would say, and remembers the others when rights change.
func TestALogStaysSmall(t *testing.T) {
	fs := memfs.New()
	opt := memoryOptions(56, fs, index.NewMemory())
	hub, err := Open(t.Context(), opt)
	require.NoError(t, err)
	north := openMemory(t, 57)
	founded, err := hub.Append(t.Context(), founding())
	require.NoError(t, err)
	by := func(d Draft) Draft {
		d.Author, d.Grant = "owner", founded[0].Hash[:]
		return d
	}
	_, err = hub.Append(t.Context(), by(Draft{Type: event.TypeDeviceAdded, Payload: &pb.DeviceAdded{Device: north.Device(), PublicKey: north.public, Name: "north"}}))
	require.NoError(t, err)
	own := north.OwnLogs()[0]
	var cut *event.Record
	for i := range 150 {
		recs, err := north.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
		pass(t, north, hub, north)
		stated, err := hub.Append(t.Context(), statement(uint64(i+1), exchange.LogTip{Log: own, Tip: exchange.Tip{Seq: recs[0].Seq(), Hash: recs[0].Hash}}))
		require.NoError(t, err)
		if i == 75 {
			cut = stated[0]
		}
		if i%7 == 0 {
			require.NoError(t, hub.CatchUp(t.Context()))
		}
	}
	l := logOf(t, hub, own)
	require.EqualValues(t, 150, l.Accepted.Number)
	value, err := ledger.Encode(l)
	require.NoError(t, err)
	require.Less(t, len(value), 2000, "bytes of state")
	var hot []byte
	for _, v := range rows(t, hub.opt.Index, "e/"+event.KindLog+"\x00"+own.String()+"\x00") {
		hot = append(hot, v...)
	}
	require.Less(t, len(hot)/8, 40, "records that are read at every fold")
	requireRebuilt(t, hub, opt)

	// The server's log counts to its 76th statement only, by the owner's word.
	_, err = hub.Append(t.Context(), by(Draft{Type: event.TypeRightsRevoked, Payload: &pb.RightsRevoked{
		Device: hub.Device(), Reason: "taken", Cuts: []*pb.Tip{exchange.LogTip{Log: cut.Log, Tip: exchange.Tip{Seq: cut.Seq(), Hash: cut.Hash}}.PB()},
	}}))
	require.NoError(t, err)
	requireRebuilt(t, hub, opt)
	require.EqualValues(t, 76, logOf(t, hub, own).Accepted.Number)
	require.NoError(t, hub.Close())
}
