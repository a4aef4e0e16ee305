package web

import (
	"html"
	"net/url"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// found is where a scan leads; empty when a list or nothing is shown.
func (d *laptop) found(text string) string {
	d.t.Helper()
	res, err := d.browser.Get(d.server.URL + "/clinic/find?q=" + url.QueryEscape(text))
	require.NoError(d.t, err)
	require.NoError(d.t, res.Body.Close())
	return res.Header.Get("Location")
}

// What is scanned or typed is found: a bag, a batch, a dam. One hit goes there.
func TestAScanGoesToItsBag(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	id := d.foal("Quiet Harbour")
	for _, typed := range []string{bags[0], words.BagNumber(bags[0]), bags[0][:5]} {
		require.Equal(t, "/bag/"+bags[0], d.found(typed), typed)
	}
	require.Contains(t, d.found("h 2207"), "/clinic/batch?batch=H-2207")
	require.Equal(t, "/case/"+id+"/sheet", d.found("quiet h"))
	require.Empty(t, d.found("zzz"))
	require.Contains(t, plainText(d.get("/clinic/find?q=zzz")), words.Say("find.nothing", "zzz"))
	require.Contains(t, d.get("/clinic/stock"), `action="/clinic/find"`, "the box is on every page of the clinic")
}

// At a bag's desk everything is done that can be done with it now, and nothing else.
func TestABagsDesk(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	press := func(event string) string {
		m := regexp.MustCompile(`href="(/write/` + event + `\?[^"]*)"`).FindStringSubmatch(d.get("/bag/" + bags[0]))
		require.NotNil(t, m, event)
		return html.UnescapeString(m[1])
	}
	d.fill(press("bags_lent"), "bags", bags[0], "to_practice", "Hill Road")
	require.NotContains(t, d.get("/bag/"+bags[0]), "/write/bags_lent", "it is lent already")
	d.fill(press("bag_returned"), "bag", bags[0], "to", "freezer", "place", d.place)
	d.fill(press("bag_missing"), "bag", bags[0])
	require.Regexp(t, `name="batch" value="H-2207"`, d.get(press("bag_found")), "what the books know is there")
	d.fill(press("bag_found"), "bag", bags[0], "product", d.product(), "batch", "H-2207", "expiry", "2028-03", "volume_ml", "950", "place", d.place)
	d.fill(press("bag_discarded"), "bag", bags[0], "reason", "broken")
	out, err := d.site.Stock.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	require.Equal(t, "discarded", out.Bag.State)
	require.Len(t, out.Can, 1)
	require.Equal(t, "bag found "+words.BagNumber(bags[0]), out.Can[0].Command)
}

// All bags of a warm spell are decided on in one form.
func TestAWarmSpellIsDecidedAtOnce(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	d.clock.Advance(3 * time.Hour)
	now := d.clock.Now()
	d.write(&pb.PlaceWarm{Place: d.place, From: &pb.Moment{UnixMs: now.Add(-time.Hour).UnixMilli()}, To: &pb.Moment{UnixMs: now.UnixMilli()}, Reason: "lid open"})
	require.Contains(t, d.get("/clinic"), `href="/clinic/warm"`)
	page := d.get("/clinic/warm")
	require.Contains(t, plainText(page), words.Say("warm.decide", 3))
	to := html.UnescapeString(regexp.MustCompile(`href="(/write/quarantine_decided[^"]*)"`).FindStringSubmatch(page)[1])
	form := d.get(to)
	for _, b := range bags {
		require.Contains(t, form, b)
	}
	warm := regexp.MustCompile(`warm=([0-9a-f]{64})`).FindStringSubmatch(to)[1]
	d.fill(to, "bags", bags[0], "bags", bags[1], "bags", bags[2], "warm", warm, "reason", "stayed solid")
	require.Contains(t, plainText(d.get("/clinic/warm")), words.Say("warm.none"))
	require.NotContains(t, d.get("/bag/"+bags[0]), "/write/quarantine_decided")
}
