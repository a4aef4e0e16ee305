package web

import (
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Bags that are alike are one row with their sums; why they are set aside stands once a row
// and folded, and many numbers are folded too.
func TestStockIsReadAtAGlance(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	more := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-09", VolumeMl: 500, Count: 6, Place: "north car"}).Made
	page := d.get("/clinic/stock")
	text := plainText(page)
	require.Contains(t, text, words.Say("stock.total", 9, 5850, "9 frozen"), "3 of 950 mL and 6 of 500 mL")
	require.Equal(t, 2, strings.Count(page, "/clinic/batch?"), "two batches, two rows")
	require.Contains(t, text, "Foal plasma, H-2207 3 2028-03 950 mL 2850 mL frozen")
	require.Contains(t, text, "Foal plasma, H-2299 6 2028-09 500 mL 3000 mL frozen")
	for _, id := range append(bags, more...) {
		require.Contains(t, page, `href="/bag/`+id+`"`)
	}
	require.Regexp(t, `<details><summary>`+words.Say("stock.numbers", 6), page, "six numbers are folded")

	d.clock.Advance(3 * time.Hour)
	now := d.clock.Now()
	d.write(&pb.PlaceWarm{Place: d.place, From: &pb.Moment{UnixMs: now.Add(-time.Hour).UnixMilli()}, To: &pb.Moment{UnixMs: now.UnixMilli()}, Reason: "lid open"})
	page = d.get("/clinic/stock")
	require.Equal(t, 2, strings.Count(page, "a person has to decide"), "once a row of nine bags")
	require.Contains(t, plainText(page), words.Say("stock.total", 9, 5850, "9 quarantined"))
}

// A search and an order are asked of the whole list, and lead back to it.
func TestStockIsSearchedAndSorted(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "A-1", Expiry: "2029-01", VolumeMl: 500, Count: 1, Place: "north car"})
	batches := func(query string) (out []string) {
		for _, m := range regexp.MustCompile(`/clinic/batch\?[^"]*batch=([A-Z0-9-]+)`).FindAllStringSubmatch(html.UnescapeString(d.get("/clinic/stock?"+query)), -1) {
			out = append(out, m[1])
		}
		return out
	}
	require.Equal(t, []string{"H-2207", "A-1"}, batches(""))
	require.Equal(t, []string{"A-1", "H-2207"}, batches("sort=batch"))
	require.Equal(t, []string{"H-2207"}, batches("q="+url.QueryEscape(words.BagNumber(bags[0]))))
	require.Equal(t, []string{"A-1"}, batches("q=a1"))
	require.Empty(t, batches("q=zzz"))
	require.Contains(t, plainText(d.get("/clinic/stock?q=zzz")), words.Say("stock.not_found", "zzz"))
}

// What has left the stock is told by the way it went, each with what belongs to it: the
// patient, the practice, the reason.
func TestWhatLeftTheStockSaysHow(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	id := d.foal("Quiet Harbour")
	d.starts(id, bags[0])
	d.clock.Advance(time.Hour)
	d.write(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 940})
	d.write(&pb.BagsLent{Bags: []string{bags[1]}, ToPractice: "Hill Road"})
	d.write(&pb.BagDiscarded{Bag: bags[2], Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	page := d.get("/clinic/stock?all=1")
	text := plainText(page)
	require.Regexp(t, words.Say("gone.lent")+`.*`+words.BagNumber(bags[1])+` .*Hill Road .*`+words.Say("gone.given")+`.*`+words.BagNumber(bags[0])+` .*940 mL .*Quiet Harbour.*`+
		words.Say("gone.discarded")+`.*`+words.BagNumber(bags[2])+` .*broken`, text)
	require.Contains(t, page, `href="/case/`+id+`/sheet"`)
	require.Equal(t, 1, strings.Count(d.get("/clinic/stock?all=1&q=hill"), `href="/bag/`), "the search reaches what is told beside a bag")
}
