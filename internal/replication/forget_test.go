package replication_test

import (
	"bytes"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/seal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// hollisWords are what is typed about a client beside the client's own entry.
var hollisWords = []string{"Hill Road", "G. Groom", "T. Trainer", "Long Paddock", "Lower Barn"}

// onDisk is a laptop whose disk the test can read.
func onDisk(t *testing.T, name string, seed byte) (*entrytest.Laptop, *memfs.FS) {
	t.Helper()
	disk := memfs.New()
	l, err := entrytest.On(t, name, seed, rand.NewChaCha8([32]byte{seed}), disk, index.NewMemory())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Store.Close()) })
	return l, disk
}

// meet brings a laptop and the hub to the same records, and to their keys until those are
// forgotten.
func meet(t *testing.T, laptop, hub *entrytest.Laptop, forgotten bool) {
	t.Helper()
	_, stop := linked(t, laptop, &tapped{Peer: replicationtest.Direct{Responder: responder(t, hub)}})
	defer stop()
	require.Eventually(t, func() bool { return laptop.Unsent() == 0 && digest(t, laptop) == digest(t, hub) }, 20*time.Second, 5*time.Millisecond)
	require.Eventually(t, func() bool { return forgotten || closedWords(t, laptop)+closedWords(t, hub) == 0 }, 20*time.Second, 5*time.Millisecond)
}

// wordsIn is everything on a laptop's disk, every record, every folded state, and every
// sealed word that any key of its own opens.
func wordsIn(t *testing.T, l *entrytest.Laptop, disk *memfs.FS) []byte {
	t.Helper()
	require.NoError(t, l.Store.CatchUp(t.Context()))
	require.NoError(t, l.DropForgotten(t.Context()))
	var out bytes.Buffer
	out.Write(filesOf(t, disk))
	var keys []seal.FieldKey
	held, _ := l.Replica.Seals.Since(0, 1<<20)
	for _, m := range held {
		k, err := seal.FieldKeyFromPB(m)
		require.NoError(t, err)
		keys = append(keys, k)
	}
	eachRecord(t, l, func(rec *event.Record) {
		out.Write(rec.Wire())
		m, err := rec.Payload()
		require.NoError(t, err)
		if c, ok := m.(*pb.Corrected); ok && !c.Void {
			m, err = event.Replacement(c)
			require.NoError(t, err)
		}
		require.NoError(t, event.EachSealed(m, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
			for _, k := range keys {
				words, _ := seal.Open(k.Key, k.Entity, field, s)
				out.Write(words)
			}
			return s, nil
		}))
	})
	require.NoError(t, l.Store.View(t.Context(), func(v *store.Snapshot) error {
		for _, kind := range []string{event.KindBag, event.KindBatch, event.KindCase, event.KindClient, event.KindDam, event.KindMare} {
			err := v.Each(kind, func(s ledger.State) (bool, error) {
				raw, err := ledger.Encode(s)
				out.Write(raw)
				return true, err
			})
			if err != nil {
				return err
			}
		}
		return nil
	}))
	return out.Bytes()
}

// filesOf is all that lies on a disk; these disks are not encrypted.
func filesOf(t *testing.T, disk *memfs.FS) (out []byte) {
	t.Helper()
	const dir = "replica/journal"
	files, err := disk.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range files {
		f, err := disk.OpenRead(filepath.Join(dir, e.Name))
		require.NoError(t, err)
		raw := make([]byte, e.Size)
		n, _ := f.ReadAt(raw, 0)
		require.NoError(t, f.Close())
		out = append(out, raw[:n]...)
	}
	require.True(t, bytes.Contains(out, []byte("Sea Cove")), "the journal is read")
	return out
}

func eachRecord(t *testing.T, l *entrytest.Laptop, fn func(*event.Record)) {
	t.Helper()
	for _, info := range l.Replica.Store.Logs() {
		for from := uint64(0); ; {
			run, next, err := l.Replica.Store.ReadRun(t.Context(), info.ID, from, exchange.MaxBatchBytes)
			require.NoError(t, err)
			if run == nil {
				break
			}
			from = next
			for _, wire := range run.Records {
				rec, err := event.Decode(wire)
				require.NoError(t, err)
				fn(rec)
			}
		}
	}
}

// tellOfHollis enters all that can tell who a client is without the name.
func tellOfHollis(t *testing.T, l *entrytest.Laptop, bag string) (client, id string) {
	t.Helper()
	client = l.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}).Made[0]
	opened := l.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Sea Cove", Yard: "Hill Road", Client: "P. Hollis", ClockChecked: true})
	id = opened.Made[0]
	l.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), By: "G. Groom", How: "in person"})
	l.Must(&pb.ReferralOffered{Case: id, Answer: pb.ReferralAnswer_REFERRAL_ANSWER_DECLINED, By: "T. Trainer"})
	l.Must(&pb.MareDue{Name: "Quiet Harbour", Chip: "985000000000001", ServedOn: "2026-01-15", Client: client})
	l.Must(&pb.MareDue{Name: "Quiet Harbour", Chip: "985000000000001", ServedOn: "2026-01-16", Yard: "Long Paddock"})
	_, err := l.Write(t.Context(), &pb.WriteRequest{
		Entry:       l.Entry(&pb.Corrected{Original: opened.Record, Reason: "wrong barn"}),
		Replacement: l.Entry(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Sea Cove", Yard: "Lower Barn", Client: client, ClockChecked: true}),
	})
	require.NoError(t, err)
	l.Must(&pb.BagThawed{Bag: bag})
	l.Ready(id, bag)
	l.Must(&pb.TransfusionStarted{Case: id, Bag: bag})
	l.Must(&pb.TransfusionEnded{Case: id, Bag: bag, GivenMl: 300})
	return client, id
}

// Yard, and who agreed or answered, go with the client's key: after forgetting no file,
// record, folded state or key of any laptop gives them, on the laptop that forgot, on the
// server, on one that was away with the key meanwhile, and on one that merges only then.
func TestForgottenWordsAreNowhere(t *testing.T) {
	hub, onHub := onDisk(t, "clinic", 1)
	hub.Hub = true
	writes, onWrites := onDisk(t, "north car", 2)
	away, onAway := onDisk(t, "south car", 3)
	late, onLate := onDisk(t, "new car", 4)
	bags := writes.Begin()
	client, id := tellOfHollis(t, writes, bags[0])
	meet(t, writes, hub, false)
	meet(t, away, hub, false)
	for _, l := range []*entrytest.Laptop{writes, hub, away} {
		shown, err := l.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
		require.NoError(t, err)
		mares, err := l.GetClient(t.Context(), &pb.GetClientRequest{Client: client})
		require.NoError(t, err)
		text := prototext.Format(shown) + prototext.Format(mares)
		for _, w := range hollisWords {
			require.Contains(t, text, w, "everybody who has the key reads it")
		}
		require.Zero(t, mares.PlainRecords)
		require.Empty(t, mares.PlainText)
	}
	for _, w := range hollisWords {
		require.False(t, bytes.Contains(filesOf(t, onHub), []byte(w)), "sealed from the beginning")
	}
	for _, w := range hollisWords {
		require.Contains(t, string(wordsIn(t, away, onAway)), w, "what is looked at does show words that a key opens")
	}

	writes.Must(&pb.ClientForgotten{Client: "P. Hollis", Reason: "asked for"})
	meet(t, writes, hub, true)
	meet(t, away, hub, true)
	meet(t, late, hub, true)
	for name, looked := range map[string][]byte{
		"writer": wordsIn(t, writes, onWrites), "server": wordsIn(t, hub, onHub), "away": wordsIn(t, away, onAway), "late": wordsIn(t, late, onLate),
	} {
		for _, w := range append(hollisWords, "P. Hollis") {
			require.False(t, bytes.Contains(bytes.ToUpper(looked), bytes.ToUpper([]byte(w))), "%s on %s", w, name)
		}
		require.True(t, bytes.Contains(looked, []byte("Sea Cove")), "the records are there: %s", name)
	}
	meet(t, late, hub, true) // keys that are offered again are not taken
	require.False(t, bytes.Contains(wordsIn(t, late, onLate), []byte("Hill Road")))
	_, said := writes.Refused(&pb.EstimateAgreed{Case: id, By: "G. Groom", How: "in person"})
	require.Contains(t, said, "asked to be forgotten")
	writes.Must(&pb.EstimateAgreed{Case: id, How: "in person"})
}

// A laptop that knew the client's record and not the key draws a key of its own: it comes
// to the others with the record, also when it comes alone, later, and goes with the client.
func TestAKeyOfItsOwnIsTheClientsToo(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	laptop.Begin()
	client := laptop.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}).Made[0]
	meet(t, laptop, hub, false)
	_, err := laptop.Replica.Seals.(keeper).Keep(func([]byte) bool { return false })
	require.NoError(t, err)
	id := laptop.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Yard: "Hill Road", Client: client, ClockChecked: true}).Made[0]
	yard := func(l *entrytest.Laptop) string {
		out, err := l.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
		require.NoError(t, err)
		return out.Case.Yard
	}
	meet(t, laptop, hub, false)
	require.Equal(t, "Hill Road", yard(hub))
	_, err = hub.Replica.Seals.(keeper).Keep(func([]byte) bool { return false })
	require.NoError(t, err)
	require.NotEqual(t, "Hill Road", yard(hub))
	_, stop := linked(t, laptop, &tapped{Peer: replicationtest.Direct{Responder: responder(t, hub)}})
	require.Eventually(t, func() bool { return yard(hub) == "Hill Road" }, 10*time.Second, 5*time.Millisecond, "the key comes alone and finds its record")
	stop()
	laptop.Must(&pb.ClientForgotten{Client: client, Reason: "asked for"})
	meet(t, laptop, hub, true)
	for _, l := range []*entrytest.Laptop{laptop, hub} {
		require.NoError(t, l.Store.CatchUp(t.Context()))
		require.NoError(t, l.DropForgotten(t.Context()))
		require.Zero(t, count(l))
	}
}
