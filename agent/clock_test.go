package agent_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	pb "thawtrail/proto/thawtrail/v1"
)

// behind is the machine's clock, set wrong.
type behind struct {
	clock.System
	by time.Duration
}

func (b behind) Now() time.Time { return b.System.Now().Add(-b.by) }

// A laptop whose clock is a year behind finds that out at its first hello. From then
// on, without the server and over a restart, it offers no bag whose label has ended,
// and says why.
func TestALaptopAYearBehind(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	c.same(l)
	ended := time.Now().AddDate(0, -6, 0).Format("2006-01")
	for _, e := range []*pb.Entry{
		{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: "shelf", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}},
		{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}},
		{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{Product: "Foal plasma", Batch: "E-1", Expiry: ended, VolumeMl: 950, Count: 1, Place: "shelf"}}},
	} {
		_, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: e, Author: "J. Reed"})
		require.NoError(t, err)
	}
	l.stop()
	l.time = behind{by: 365 * 24 * time.Hour}
	l.start()
	told := func() bool {
		s, err := l.audit.GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		return len(s.Cautions) > 0 && s.Cautions[0].Code == "clock_off"
	}
	eventually(t, "the laptop knows of its clock", told)
	c.stop()
	l.stop()
	l.start()
	require.True(t, told(), "over a restart, without the server")
	chosen, err := pb.NewStockServiceClient(l.conn).ChooseBags(t.Context(), &pb.ChooseBagsRequest{NeedMl: 900})
	require.NoError(t, err)
	require.Empty(t, chosen.Bags, "its label ended half a year ago")
	require.Contains(t, chosen.Cautions[0].Text, "365 days behind")
}
