package node

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/bundle"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replication"
	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
)

// flipIn damages the n-th record of a laptop's disk of those that a person entered as
// notes.
func flipIn(t *testing.T, disk *memfs.FS, n int) {
	t.Helper()
	j, _, err := journal.Open(journal.Options{FS: disk, Dir: "replica/journal", ReadOnly: true, Now: time.Now})
	require.NoError(t, err)
	met := 0
	require.NoError(t, j.Scan(journal.Position{}, func(p journal.Position, frame []byte) error {
		r, err := event.Decode(append([]byte(nil), frame...))
		if err == nil && r.Head.Type == typeNote {
			if met == n {
				require.NoError(t, disk.Flip(fmt.Sprintf("replica/journal/%010d.journal", p.Segment), int(p.Offset)+40, 1))
			}
			met++
		}
		return err
	}, func(_, _ journal.Position, _ string) error { return nil }))
	require.NoError(t, j.Close())
}

const typeNote event.Type = 8

// A laptop without a signal saved 40 entries, and one byte of its disk decays: found at
// the next start, or while it runs. With the link back, 39 are on the server within
// the session, each once; the status counts what the server acknowledged, of all
// logs; the owner reads that one is lost; and a second click makes no second record.
func TestOneDamagedRecordStrandsNoOther(t *testing.T) {
	for _, restarted := range []bool{true, false} {
		t.Run(fmt.Sprint("restarted ", restarted), func(t *testing.T) {
			var hubDisk, disk *memfs.FS
			t.Run("begin", func(t *testing.T) {
				hub, laptop := practice(t)
				hub.admit(laptop)
				hubDisk, disk = hub.disk, laptop.disk
			})
			hub, err := openSide(t, "clinic", 1, hubDisk)
			require.NoError(t, err)
			laptop, err := openSide(t, "north car", 2, disk)
			require.NoError(t, err)
			ids := laptop.notes(40)
			before := laptop.Unsent()
			if restarted {
				disk = disk.CrashClone(memfs.Keep)
			}
			flipIn(t, disk, 7)
			if restarted {
				laptop, err = openSide(t, "north car", 2, disk)
				require.NoError(t, err)
				before += 2 // new logs at once
			}
			require.NoError(t, laptop.Store.Scrub(t.Context()))
			require.Equal(t, before-1, laptop.Unsent(), "one is lost, and the others are saved here")

			meet(t, hub, laptop)
			laptop.strandedNone(hub, ids, 7)
			if !restarted { // the keys of this test do not outlive a start
				got, err := hub.GetRecord(t.Context(), &pb.GetRecordRequest{Record: ids[30]})
				require.NoError(t, err)
				require.Equal(t, "note 30", got.Entry.GetNoteAdded().GetText().GetPlain(), "its key came along")
			}
		})
	}
}

// notes saves entries, each as by one click.
func (s *side) notes(n int) (ids []string) {
	for i := range n {
		out, err := s.Write(s.t.Context(), noteRequest(s, i))
		require.NoError(s.t, err)
		ids = append(ids, out.Record)
	}
	return ids
}

// strandedNone waits until all entries but one that is lost are on the server, and
// looks at what people read of them.
func (s *side) strandedNone(hub *side, ids []string, lost int) {
	t := s.t
	t.Helper()
	require.Eventually(t, func() bool {
		st := s.status()
		return st.SavedHere == 0 && st.Sent == 0 && len(missing(hub, ids)) == 1
	}, 20*time.Second, 10*time.Millisecond, "all but the damaged one is held on the clinic's server")
	require.Equal(t, ids[lost:lost+1], missing(hub, ids))
	require.Equal(t, digestOf(t, s), digestOf(t, hub))
	out, err := hub.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	require.Len(t, out.Discrepancies, 1)
	require.Equal(t, ledger.LostRecords, out.Discrepancies[0].Kind)
	require.Contains(t, out.Discrepancies[0].Entity, "north car")
	again, err := s.Write(t.Context(), noteRequest(s, 30))
	require.NoError(t, err)
	require.Equal(t, ids[30], again.Record, "one record for two clicks")
	for _, at := range []*side{hub, s} {
		got, err := at.GetRecord(t.Context(), &pb.GetRecordRequest{Record: ids[30]})
		require.NoError(t, err)
		require.Equal(t, "north car", got.Device)
	}
	here, err := s.GetRecord(t.Context(), &pb.GetRecordRequest{Record: ids[30]})
	require.NoError(t, err)
	require.Equal(t, pb.SavedState_SAVED_STATE_HELD_ON_SERVER, here.Saved)
}

// admit takes a laptop into the practice that the server founded.
func (s *side) admit(laptop *side) {
	s.t.Helper()
	var f *ledger.Founding
	require.NoError(s.t, s.Store.View(s.t.Context(), func(v *store.Snapshot) error {
		r, err := v.Rights()
		f = r.Founding
		return err
	}))
	_, err := s.Store.Append(s.t.Context(), store.Draft{Type: event.TypeDeviceAdded, Author: f.Owner, Grant: f.Record[:],
		Payload: &pb.DeviceAdded{Device: laptop.Store.Device(), PublicKey: laptop.Store.PublicKey(), Name: "north car"}})
	require.NoError(s.t, err)
	require.Eventually(s.t, func() bool { return laptop.Store.Records() == s.Store.Records() }, 10*time.Second, 5*time.Millisecond)
}

func noteRequest(s *side, i int) *pb.WriteRequest {
	return &pb.WriteRequest{RequestId: fmt.Sprint("click ", i), Entry: s.Entry(&pb.NoteAdded{
		EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: fmt.Sprint("note ", i)}})}
}

// The books of a laptop that reaches no server carry what stands behind a damaged
// record, and name by log and place what they leave out: of its own log, and of
// another laptop's.
func TestBooksNameWhatTheyLeaveOut(t *testing.T) {
	for _, own := range []bool{true, false} {
		t.Run(fmt.Sprint("own ", own), func(t *testing.T) {
			var hubDisk, disk *memfs.FS
			var ids []string
			t.Run("begin", func(t *testing.T) {
				hub, laptop := practice(t)
				hub.admit(laptop)
				if !own {
					ids = hub.notes(40)
					require.Eventually(t, func() bool { return len(missing(laptop, ids)) == 0 }, 10*time.Second, 5*time.Millisecond)
				}
				hubDisk, disk = hub.disk, laptop.disk
			})
			laptop, err := openSide(t, "north car", 2, disk)
			require.NoError(t, err)
			if own {
				ids = laptop.notes(40)
			}
			flipIn(t, disk, 7)
			require.NoError(t, laptop.Store.Scrub(t.Context()))
			file := &bytes.Buffer{}
			code, err := bundle.NewCode(rand.Reader)
			require.NoError(t, err)
			laptop.Joined = &trust.Joined{Practice: "practice"}
			wrote, err := replication.Bundles{Replica: laptop.Replica}.Write(t.Context(), file, code, "")
			require.NoError(t, err)
			require.Len(t, wrote.Omitted, 1)
			if own {
				require.Contains(t, wrote.Omitted[0], `1 of the records of "north car" (9 to 9 of log `)
			}
			require.Equal(t, !own, strings.Contains(wrote.Omitted[0], "cannot take the "), wrote.Omitted[0])

			reader, err := openSide(t, "clinic", 1, hubDisk)
			require.NoError(t, err)
			reader.Joined = laptop.Joined
			read, err := replication.Bundles{Replica: reader.Replica}.Read(t.Context(), bytes.NewReader(file.Bytes()), code)
			require.NoError(t, err)
			require.Empty(t, read.SetAside)
			if own {
				require.Empty(t, read.Lacking, "what is lost everywhere keeps no case from being handed over")
				require.Equal(t, ids[7:8], missing(reader, ids))
			}
		})
	}
}
