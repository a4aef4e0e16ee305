package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// A call whose second draft cannot be sealed saves nothing of the first one, and
// the log goes on without a gap.
func TestFailedCallLeavesNothing(t *testing.T) {
	s := openMemory(t, 13)
	before := s.Records()
	huge := Draft{Type: 50, Payload: &pb.BatchHeld{Product: "P", Batch: "H-1", Reason: strings.Repeat("x", event.MaxPayloadBytes)}}
	_, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), huge)
	require.ErrorIs(t, err, event.ErrTooLarge)
	require.Equal(t, before, s.Records())
	recs, err := s.Append(t.Context(), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	require.EqualValues(t, 1, recs[0].Seq())
}

// Many callers at once may bring more than one commit of the journal takes.
func TestManyLargeRunsAtOnce(t *testing.T) {
	const senders = 24
	big := &pb.BatchHeld{Product: "P", Batch: "H-1", Reason: strings.Repeat("x", 200<<10)}
	runs := make([]*pb.Run, senders)
	for i := range runs {
		s := openMemory(t, uint64(40+i))
		for range 4 {
			_, err := s.Append(t.Context(), Draft{Type: event.TypeBatchHeld, Payload: big})
			require.NoError(t, err)
		}
		run, _, err := s.ReadRun(t.Context(), s.OwnLogs()[1], 0, exchange.MaxBatchBytes)
		require.NoError(t, err)
		require.Len(t, run.Records, 5)
		runs[i] = run
	}
	hub := openMemory(t, 39)
	hub.writer.mu.Lock() // all of them wait
	var wait sync.WaitGroup
	errs := make([]error, senders)
	for i, run := range runs {
		wait.Go(func() { _, errs[i] = hub.Ingest(context.Background(), []*pb.Run{run}) })
	}
	for {
		hub.writer.queue.mu.Lock()
		n := len(hub.writer.queue.waiting)
		hub.writer.queue.mu.Unlock()
		if n == senders {
			break
		}
	}
	hub.writer.mu.Unlock()
	wait.Wait()
	require.NoError(t, errors.Join(errs...))
}

// A click that made a record is known after a crash that lost the index.
func TestRequestIsKnownByARebuiltIndex(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(14, fs, index.NewMemory()))
	require.NoError(t, err)
	d := received("BAG1", "P", "H-1")
	d.RequestID = "click"
	_, err = s.Append(t.Context(), d)
	require.NoError(t, err)
	again, err := Open(t.Context(), memoryOptions(14, fs.CrashClone(memfs.Lose), index.NewMemory()))
	require.NoError(t, err)
	require.NoError(t, again.View(t.Context(), func(v *Snapshot) error {
		_, ok, err := v.ByRequest("click")
		require.True(t, ok)
		return err
	}))
	require.NoError(t, again.Close())
	require.NoError(t, s.Close())
}

// What a device came to hold before a restart is named by its next record, and so
// is the server's time that bounds its clock.
func TestRestartForgetsNothingOfWhatWasHeard(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(15, fs, index.NewMemory()))
	require.NoError(t, err)
	hub := openMemory(t, 16)
	at := night.UnixMicro() + 1e9
	_, err = hub.Append(t.Context(), Draft{Type: event.TypeHubStatement, Payload: &pb.HubStatement{HubEpoch: []byte("e"), Number: 1, WallUs: at}})
	require.NoError(t, err)
	give(t, hub, s)
	require.NoError(t, s.Close())

	opt := memoryOptions(15, fs, index.NewMemory())
	opt.Random = chacha(97)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	require.Len(t, recs[0].Head.Seen, 2, "both logs of the server")
	require.Equal(t, at, recs[0].Head.HubUs)
	require.True(t, recs[0].TimeInDoubt())
	require.Empty(t, recs[1].Head.Seen)
	require.NoError(t, s.Close())
}

// Close in the middle of writes: every call either saved its record or says that
// it did not.
func TestCloseDuringWrites(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(19, fs, index.NewMemory()))
	require.NoError(t, err)
	var wait sync.WaitGroup
	var mu sync.Mutex
	saved := map[event.Hash]exchange.LogTip{}
	begun := make(chan struct{}, 1000)
	for i := range 8 {
		wait.Go(func() {
			for k := 0; ; k++ {
				recs, err := s.Append(context.Background(), received(fmt.Sprintf("BAG%d-%d", i, k), "P", "H-1"))
				if err != nil {
					if !errors.Is(err, ErrClosed) {
						t.Errorf("append: %v", err)
					}
					return
				}
				mu.Lock()
				saved[recs[0].Hash] = exchange.LogTip{Log: recs[0].Log, Tip: exchange.Tip{Seq: recs[0].Seq(), Hash: recs[0].Hash}}
				mu.Unlock()
				select {
				case begun <- struct{}{}:
				default:
				}
				if err := s.View(context.Background(), func(*Snapshot) error { return nil }); err != nil && !errors.Is(err, ErrClosed) && !errors.Is(err, index.ErrClosed) {
					t.Errorf("view: %v", err)
				}
			}
		})
	}
	for range 50 {
		<-begun
	}
	require.NoError(t, s.Close())
	wait.Wait()
	again, err := Open(t.Context(), memoryOptions(19, fs.CrashClone(memfs.Lose), index.NewMemory()))
	require.NoError(t, err)
	for _, at := range saved {
		require.True(t, again.Holds(at.Log, at.Tip))
	}
	require.NoError(t, again.Close())
}

// An entity whose name fits into no key is left out; the record is kept.
func TestNamesThatFitIntoNoKey(t *testing.T) {
	s := openMemory(t, 21)
	d := received("BAG1", "P", "H-1")
	d.Keys = []event.Key{{Kind: "bag", ID: strings.Repeat("x", 2000)}, {Kind: "bag", ID: "BAG1\x00Z"}}
	_, err := s.Append(t.Context(), d)
	require.NoError(t, err)
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) error {
		bag, ok, err := Get[*ledger.Bag](v, event.Key{Kind: event.KindBag, ID: "BAG1"})
		require.True(t, ok)
		require.Len(t, bag.Timeline, 1)
		return err
	}))
}

// verifyMemory verifies a replica on a disk in memory.
func verifyMemory(t *testing.T, fs journal.FS) VerifyReport {
	t.Helper()
	r, err := Verify(t.Context(), VerifyOptions{Dir: "replica", FS: fs})
	require.NoError(t, err)
	return r
}

func TestVerify(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(22, fs, index.NewMemory()))
	require.NoError(t, err)
	peer := openMemory(t, 23)
	for i := range 10 {
		_, err := peer.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	give(t, peer, s)
	_, err = s.Append(t.Context(), hold("P", "H-1"), received("LAST", "P", "H-1"))
	require.NoError(t, err)
	places, err := s.projection.Places(s.OwnLogs()[1], 0, 9)
	require.NoError(t, err)
	foreign, err := s.projection.Places(peer.OwnLogs()[0], 0, 99)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	r := verifyMemory(t, fs)
	require.Equal(t, VerifyReport{OK: true, Records: 16}, r)
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(places[1].Pos.Offset)+30, 1))
	r = verifyMemory(t, fs)
	require.False(t, r.OK)
	require.Contains(t, r.FirstBad, places[1].Pos.String())
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(foreign[4].Pos.Offset)+30, 1))
	r = verifyMemory(t, fs)
	require.Contains(t, r.FirstBad, foreign[4].Pos.String(), "the first of several")
	require.NotEmpty(t, r.Notes)
	_, err = Verify(t.Context(), VerifyOptions{Dir: "replica", FS: fs, Key: make([]byte, 32)})
	require.ErrorIs(t, err, journal.ErrKey)
}

// Frames that the disk kept well can still be no honest records: the journal of
// somebody with access to the machine.
func TestVerifyFindsForgeries(t *testing.T) {
	s := openMemory(t, 24)
	for i := range 4 {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	own := s.OwnLogs()[0]
	var honest []*event.Record
	for seq := range uint64(5) {
		recs, err := s.projection.RecordsAt(own, seq)
		require.NoError(t, err)
		honest = append(honest, recs...)
	}
	wire := func(seq int, change func(*pb.Record)) []byte {
		raw := &pb.Record{Header: honest[seq].Raw.Header, Payload: honest[seq].Raw.Payload, Signature: honest[seq].Raw.Signature}
		if change != nil {
			change(raw)
		}
		b, err := marshal(raw)
		require.NoError(t, err)
		return b
	}
	signedOff := func(r *pb.Record) { r.Signature = nil }
	cases := map[string]struct {
		frames [][]byte
		bad    string
		note   string
	}{
		"honest":          {[][]byte{wire(0, nil), wire(1, nil), wire(2, nil)}, "", ""},
		"vouched later":   {[][]byte{wire(0, signedOff), wire(1, signedOff), wire(2, nil)}, "", ""},
		"unsigned tail":   {[][]byte{wire(0, nil), wire(1, signedOff), wire(2, signedOff)}, "", "no signature vouches for 2 records"},
		"twice":           {[][]byte{wire(0, nil), wire(1, signedOff), wire(1, nil)}, "", ""},
		"a record short":  {[][]byte{wire(0, nil), wire(2, nil)}, "seq 2: the record before it is not here", ""},
		"no opening":      {[][]byte{wire(1, nil), wire(2, nil)}, "its opening record is not here", ""},
		"other payload":   {[][]byte{wire(0, nil), wire(1, func(r *pb.Record) { r.Payload = append([]byte(nil), 1, 2) })}, "payload", ""},
		"other signature": {[][]byte{wire(0, nil), wire(1, func(r *pb.Record) { r.Signature = honest[2].Raw.Signature })}, "seq 1", ""},
		"no record":       {[][]byte{wire(0, nil), []byte("something else")}, "record", ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			fs := memfs.New()
			j, _, err := journal.Open(journal.Options{FS: fs, Dir: "replica/journal", Now: night.UTC})
			require.NoError(t, err)
			_, err = j.Commit(c.frames)
			require.NoError(t, err)
			require.NoError(t, j.Close())
			r := verifyMemory(t, fs)
			require.Equal(t, c.bad == "", r.OK, r.FirstBad)
			require.Contains(t, r.FirstBad, c.bad)
			require.Contains(t, strings.Join(r.Notes, "\n"), c.note)
		})
	}
}
