package entry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// A mare needs a date that a foal can come of, and is found by her name.
func TestMareIsDue(t *testing.T) {
	l := entrytest.New(t)
	l.Begin()
	for _, bad := range []struct {
		mare  *pb.MareDue
		field string
	}{
		{&pb.MareDue{Name: "Quiet Harbour"}, "served"},
		{&pb.MareDue{Name: "Quiet Harbour", ServedOn: "2026-11-26"}, "served"},
		{&pb.MareDue{Name: "Quiet Harbour", ServedOn: "2025-06-01"}, "served"},
		{&pb.MareDue{Name: "Quiet Harbour", ServedOn: "2026-01"}, "served"},
		{&pb.MareDue{Name: "Quiet Harbour", DueOn: "2028-03-01"}, "due"},
		{&pb.MareDue{Name: "Quiet Harbour", DueOn: "2026-06-01"}, "due"},
		{&pb.MareDue{ServedOn: "2026-01-15"}, "name"},
	} {
		_, err := l.Write(t.Context(), &pb.WriteRequest{Entry: l.Entry(bad.mare)})
		e, refused := refusal.As(err)
		require.True(t, refused, "%v: %v", bad.mare, err)
		require.Equal(t, bad.field, e.Field)
	}
	l.Must(&pb.MareDue{Name: "Quiet Harbour", ServedOn: "2026-01-15", Breed: "thoroughbred"})
	l.Must(&pb.MareDue{Name: "quiet harbour", NoLonger: pb.MareEnd_MARE_END_FOALED})
	require.NoError(t, query.Reader{Replica: l.Replica}.View(t.Context(), func(b *query.ReadView) error {
		id, err := b.Resolve("mare", event.KindMare, "Quiet")
		require.NoError(t, err)
		m, err := query.Get[*ledger.Mare](b, event.KindMare, id)
		require.NoError(t, err)
		require.Equal(t, "thoroughbred", m.Breed, "as it was told first")
		require.Equal(t, pb.MareEnd_MARE_END_FOALED, m.NoLonger)
		return nil
	}))
}
