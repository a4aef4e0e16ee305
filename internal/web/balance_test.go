package web

import (
	"html"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Each number of the balance opens its bags, and each bag its records; a month that is
// over is closed on the page, and what is told of it later is shown.
func TestTheBalanceOpensItsBags(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	d.write(&pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	page := d.get("/owner/balance")
	require.Contains(t, plainText(page), "2026-11")
	thrown := regexp.MustCompile(`href="([^"]*line=out.discarded[^"]*)"`).FindStringSubmatch(page)
	require.NotNil(t, thrown, "the number of bags thrown away is a link")
	listed := d.get(html.UnescapeString(thrown[1]))
	require.Contains(t, listed, `href="/bag/`+bags[0]+`"`)
	require.NotContains(t, listed, bags[1])
	require.Contains(t, d.get("/bag/"+bags[0]), "/record/")
	for _, by := range []string{"place", "product", "vet", ""} {
		require.Contains(t, plainText(d.get("/owner/balance?from=2026-11&by="+by)), "broken", by)
	}
	require.Contains(t, d.get("/owner/csv/balance?from=2026-11&by=place"), "north car,discarded,yes,broken,1,950")
	require.NotContains(t, d.get("/owner/balance"), "month_closed", "no month with a bag in it is over")

	d.clock.Advance(30 * 24 * time.Hour)
	page = d.get("/owner/balance")
	to := regexp.MustCompile(`href="(/write/month_closed[^"]*)"`).FindStringSubmatch(page)
	require.NotNil(t, to)
	d.fill(html.UnescapeString(to[1]), "month", "2026-11", "note", "counted by two")
	require.Contains(t, plainText(d.get("/owner/balance")), words.Say("balance.same"))
	_, err := d.site.Records.Write(t.Context(), &pb.WriteRequest{
		Entry:      &pb.Entry{Body: &pb.Entry_BagMissing{BagMissing: &pb.BagMissing{Bag: bags[1]}}},
		OccurredAt: &pb.Moment{UnixMs: d.clock.Now().Add(-29 * 24 * time.Hour).UnixMilli(), Zone: "Australia/Sydney", Source: pb.TimeSource_TIME_SOURCE_TYPED}, Author: d.author(),
	})
	require.NoError(t, err)
	text := plainText(d.get("/owner/balance"))
	require.Contains(t, text, words.Say("balance.changed"))
	require.Contains(t, text, words.Say("balance.out", "missing"))
}
