package query_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// closing asks what stands of the month of October 2026.
func closing(l *entrytest.Laptop) *pb.Closing {
	l.T.Helper()
	out, err := l.GetBalance(l.T.Context(), &pb.GetBalanceRequest{From: "2026-10", To: "2026-11"})
	require.NoError(l.T, err)
	if len(out.Closings) == 0 {
		return nil
	}
	require.Equal(l.T, "2026-10", out.Closings[0].Month)
	return out.Closings[0]
}

// A month is closed by the owner alone and when it is over. What is told of it later shows
// as a change to the figures that were closed, and is gone when it is taken back.
func TestAClosedMonthShowsWhatCameLater(t *testing.T) {
	s := newSeason(t, 1)
	l, october := s.laptops[0], time.Date(2026, 10, 5, 9, 0, 0, 0, s.zone())
	delivery := &pb.BagsReceived{Product: "Foal plasma", Batch: "K-1", Expiry: "2029-01", VolumeMl: 950, Count: 3, Place: "clinic", CostMinor: new(int64(31_000))}
	bags := enter(l, seasonOwner, october, l.Entry(delivery)).Made

	_, err := l.Write(t.Context(), &pb.WriteRequest{Entry: l.Entry(&pb.MonthClosed{Month: "2027-02"}), Author: seasonOwner})
	r, refused := refusal.As(err)
	require.True(t, refused, "%v", err)
	require.Equal(t, "month", r.Field)
	require.ErrorContains(t, err, "a month that is over")
	_, err = l.Write(t.Context(), &pb.WriteRequest{Entry: l.Entry(&pb.MonthClosed{Month: "2026-10-05"}), Author: seasonOwner})
	require.ErrorContains(t, err, "a month such as 2026-11")
	_, err = l.Write(t.Context(), &pb.WriteRequest{Entry: l.Entry(&pb.MonthClosed{Month: "2026-10"}), Author: "A. Fenn"})
	require.Error(t, err, "a vet closes no month")
	require.Nil(t, closing(l))

	closed := enter(l, seasonOwner, l.Clock.Now(), l.Entry(&pb.MonthClosed{Month: "2026-10", Note: "counted"}))
	c := closing(l)
	require.Equal(t, "counted", c.Note)
	require.Equal(t, seasonOwner, c.Who)
	require.Empty(t, c.Changes)

	enter(l, "A. Fenn", october.AddDate(0, 1, 0), l.Entry(&pb.BagMissing{Bag: bags[1]}))
	require.Empty(t, closing(l).Changes, "what happened in November changes nothing of October")
	late := enter(l, "A. Fenn", october.AddDate(0, 0, 3), l.Entry(&pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}))
	var told []string
	for _, x := range closing(l).Changes {
		told = append(told, x.Place+" "+x.Way+" "+x.Reason)
		switch x.Way {
		case "closing":
			require.Equal(t, []int64{3, 2, 2850, 1900}, []int64{int64(x.WasBags), int64(x.Bags), x.WasVolumeMl, x.VolumeMl})
		case "discarded":
			require.True(t, x.Out)
			require.Equal(t, []int64{0, 1, 0, 950, 0, 31_000}, []int64{int64(x.WasBags), int64(x.Bags), x.WasVolumeMl, x.VolumeMl, x.WasCostMinor, x.CostMinor})
		}
	}
	require.Equal(t, []string{"clinic closing ", "clinic discarded broken"}, told)

	correct(l, "A. Fenn", late.Record, october.AddDate(0, 0, 3), nil)
	require.Empty(t, closing(l).Changes)
	correct(l, seasonOwner, closed.Record, l.Clock.Now(), nil)
	require.Nil(t, closing(l), "the owner opens it again")
}
