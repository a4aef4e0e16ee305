package query_test

import (
	"errors"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// What the disk cannot read just now is here all the same: no answer calls it absent,
// and no story is shown as if there were nothing to say.
func TestWhatCannotBeReadIsNotAbsent(t *testing.T) {
	disk := memfs.New()
	l, err := entrytest.On(t, "north laptop", 7, rand.NewChaCha8([32]byte{7}), disk, index.NewMemory())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Store.Close()) })
	l.Begin()
	id := l.Foal()
	weighed := l.Must(&pb.PatientWeighed{Case: id, WeightG: 52_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}).Record
	vitals, err := l.WriteBy(t.Context(), entry.Actor{Session: "locked", Nobody: true}, &pb.WriteRequest{Entry: l.Entry(&pb.VitalsNoted{Case: id, HeartRate: proto.Int32(98)})})
	require.NoError(t, err)
	require.NoError(t, l.Store.CatchUp(t.Context()))
	story := func() (what []string, err error) {
		out, err := l.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
		for _, row := range out.GetTimeline() {
			what = append(what, row.What)
		}
		return what, err
	}
	before, err := story()
	require.NoError(t, err)
	unsigned := func() (rows []*pb.UnprovenRow) {
		require.NoError(t, l.View(t.Context(), func(b *query.ReadView) (err error) { rows, err = b.Unsigned(); return err }))
		return rows
	}
	require.Len(t, unsigned(), 1)

	disk.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read || op.Kind == memfs.OpenRead {
			f.Err = errors.New("input/output error")
		}
		return f
	})
	for _, digits := range []string{weighed, weighed[:10]} {
		_, err = l.GetRecord(t.Context(), &pb.GetRecordRequest{Record: digits})
		require.ErrorIs(t, err, refusal.ErrDamaged, digits)
		require.ErrorContains(t, err, "is held here")
		require.ErrorContains(t, err, "input/output error")
	}
	for what, e := range map[string]*pb.Entry{
		"correct": l.Entry(&pb.Corrected{Original: weighed, Void: true, Reason: "typed wrong"}),
		"sign":    l.Entry(&pb.Signed{Records: []string{vitals.Record}}),
	} {
		_, err := l.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: e})
		require.ErrorIs(t, err, refusal.ErrDamaged, what)
	}
	now, err := story()
	require.NoError(t, err)
	require.Len(t, now, len(before))
	for _, what := range now {
		require.Contains(t, what, "cannot be read", "no row looks as if nothing had been entered")
	}
	require.Len(t, unsigned(), 1, "what nobody signed stays on the list")

	disk.SetHook(nil)
	again, err := story()
	require.NoError(t, err)
	require.Equal(t, before, again)
	_, err = l.GetRecord(t.Context(), &pb.GetRecordRequest{Record: "00000000"})
	require.Error(t, err)
	require.NotErrorIs(t, err, refusal.ErrDamaged)
}
