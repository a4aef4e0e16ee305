package web

import (
	"cmp"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/files"
	"thawtrail/internal/web/barn"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

var regexpBag = regexp.MustCompile(`name="bags" value="([0-9A-Z]{9})"`)

// deliveryUnderway is the page of a delivery with all that it can show: a number to learn, a
// row that was typed, a code to ask about, scans that were not counted, and fewer bags than
// the note says.
const deliveryUnderway = "/clinic/delivery?id=page-1&rows=3&gtin_0=09501101530003&batch_0=K77&expiry_0=2028-03-31&code_0=01095011015300031728033110K77&serial_0=S1&count_0=1" +
	"&gtin_1=09501101530003&batch_1=K78&expiry_1=2028-03-31&code_1=01095011015300031728033110K78&count_1=1&supplier=Wattle+Biologics&noted=5&arrived=soft&arrived_dc=-30" +
	"&asked=01095011015300031728043010L821AB&asked=01095011015300031728043010L921AB&missed=12345&missed=0123456&bad=12345"

// allPages are the addresses of every page that has no case in it.
var allPages = []string{
	"/barn", "/takeover", "/open", "/cases", "/blank", "/another", "/clinic", "/clinic/stock", "/clinic/stock?all=1", "/clinic/levels", "/clinic/levels?lead_weeks=4&weeks=3", "/clinic/receive", "/clinic/delivery", deliveryUnderway, "/clinic/import", "/clinic/import?kind=temperatures", "/clinic/load",
	"/clinic/count", "/clinic/batches", "/clinic/hold", "/clinic/hold?do=recall", "/clinic/hold?do=release", "/clinic/setup", "/clinic/settings", "/clinic/prices", "/clinic/charges", "/clinic/charges?from=2026-11", "/clinic/begin", "/clinic/sheets", "/backup", "/owner/invite", "/own-place",
	"/clinic/clients", "/clinic/clients?due=1", "/clinic/clients?q=zz", "/clinic/horse",
	"/owner", "/owner?by=place", "/owner?by=person", "/owner?by=product", "/owner/doubts", "/owner/people", "/owner/late", "/owner/unproven", "/sign", "/owner/balance", "/owner/balance?by=place", "/owner/balance?by=vet",
}

// linkOf finds the forms and files that a page leads to.
var linkOf = regexp.MustCompile(`href="(/(?:write|owner/csv)/[^"]+)"`)

// everyPage lists every page there is once a case runs, with the forms that they lead to.
func (d *laptop) everyPage(id, bag string) []string {
	d.t.Helper()
	pages := append([]string{"/bag/" + bag, "/clinic/labels?bag=" + bag, "/clinic/labels?paper=roll&bag=" + bag, "/clinic/load?place=" + d.place, "/clinic/count?place=" + d.place,
		"/clinic/batch?product=Foal+plasma&batch=H-2207", "/clinic/recall", "/clinic/warm", "/clinic/freezer?place=" + d.place, "/clinic/freezer/" + d.place + "/2026-11/chart.svg", "/clinic/find?q=zzz", "/clinic/find", "/clinic/recall?product=Foal+plasma&batch=H-2207"}, allPages...)
	client, _ := d.aClient("P. Hollis", "0491 570 156", "Morning Tide", "Low Meadow", "G. Groom")
	pages = append(pages, "/clinic/client/"+client, "/clinic/horse?horse=Morning+Tide", "/owner/person/"+d.author()+"/end", "/clinic/charges/"+id)
	for slug := range barn.CaseSteps {
		pages = append(pages, "/case/"+id+"/"+slug, "/case/"+id+"/"+slug+"?later=1")
	}
	for _, p := range []string{"/owner", "/clinic/setup", "/clinic/prices", "/clinic/charges/" + id, "/case/" + id + "/later"} {
		for _, m := range linkOf.FindAllStringSubmatch(d.get(p), -1) {
			pages = append(pages, html.UnescapeString(m[1]))
		}
	}
	return pages
}

// TestEveryPageAnswers reads every page with empty books and with a night in
// them, every step of a case included, and weighs it.
func TestEveryPageAnswers(t *testing.T) {
	d := newLaptop(t)
	for _, p := range allPages {
		d.get(p)
	}
	id, bag := d.toRunning()
	pages := d.everyPage(id, bag)
	require.Greater(t, len(pages), 100)
	css, js := len(d.get("/assets/page.css")), len(d.get("/assets/page.js"))+len(d.get("/assets/press.js"))
	for _, p := range pages {
		body := d.get(p)
		assert.Less(t, len(body)+css+js, 100<<10, p)
		assert.NotContains(t, body, "<no value>", p)
		assert.NotContains(t, body, "%!", p)
		if strings.Contains(p, ".svg") {
			continue // a picture of its own, not a part of a page
		}
		assert.NotRegexp(t, `(?i)<[^>]+\sstyle=|<[^>]+\son[a-z]+=|<script>|https?://`, strings.ReplaceAll(body, `http://127.0.0.1:`, ""), p)
	}
}

// TestAssetsAreKept asks as a browser does: with the address that pages give, a
// file is kept for good; with any other it is asked about again, and not sent twice.
func TestAssetsAreKept(t *testing.T) {
	d := newLaptop(t)
	page := map[string]string{"delivery.js": d.get("/clinic/delivery")}
	for name, mark := range site.AssetMarks {
		if name != "zxing.txt" { // a licence, for people to read
			assert.Contains(t, cmp.Or(page[name], d.get("/barn")), site.AssetAddress(name))
		}
		for address, want := range map[string]string{site.AssetAddress(name): "immutable", "/assets/" + name: "no-cache", "/assets/" + name + "?v=0": "no-cache"} {
			ask, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.server.URL+address, nil)
			require.NoError(t, err)
			r, err := d.browser.Do(ask)
			require.NoError(t, err)
			require.NoError(t, r.Body.Close())
			assert.Equal(t, http.StatusOK, r.StatusCode, address)
			assert.Contains(t, r.Header.Get("Cache-Control"), want, address)
			ask.Header.Set("If-None-Match", `"`+mark+`"`)
			again, err := d.browser.Do(ask)
			require.NoError(t, err)
			require.NoError(t, again.Body.Close())
			assert.Equal(t, http.StatusNotModified, again.StatusCode, address)
		}
	}
	code, _ := d.ask("/assets/")
	assert.Equal(t, http.StatusNotFound, code, "no list of files")
}

// TestWhoMayComeIn is the table of requests that do not get past the door.
func TestWhoMayComeIn(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	records := d.replica.Store.Records()
	good := d.fields(d.get("/write/place_added"), "name", "shelf", "kind", "shelf")
	u, err := url.Parse(d.server.URL)
	require.NoError(t, err)
	cookies := d.browser.Jar.Cookies(u)
	require.Len(t, cookies, 1)
	for name, c := range map[string]struct {
		change func(*http.Request)
		code   int
	}{
		"another name of this machine": {func(r *http.Request) { r.Host = "evil.example" }, http.StatusMisdirectedRequest},
		"another name with our port":   {func(r *http.Request) { r.Host = "evil.example:" + u.Port() }, http.StatusMisdirectedRequest},
		"a machine of the network":     {func(r *http.Request) { r.Host = "192.168.1.9" }, http.StatusMisdirectedRequest},
		"a form on another site":       {func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, http.StatusForbidden},
		"a form without an origin":     {func(r *http.Request) { r.Header.Del("Origin") }, http.StatusForbidden},
		"a form from another port":     {func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }, http.StatusForbidden},
		"a browser that says so":       {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
		"no session":                   {func(r *http.Request) { r.Header.Del("Cookie") }, http.StatusForbidden},
		"a session that is made up":    {func(r *http.Request) { r.Header.Set("Cookie", cookies[0].Name+"=00.00") }, http.StatusForbidden},
		"a cookie of another replica": {func(r *http.Request) {
			r.Header.Set("Cookie", strings.Replace(r.Header.Get("Cookie"), "thawtrail-", "thawtrail-0", 1))
		}, http.StatusForbidden},
	} {
		ask, err := http.NewRequestWithContext(t.Context(), http.MethodPost, d.server.URL+"/write/place_added", strings.NewReader(good.Encode()))
		require.NoError(t, err)
		ask.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		ask.Header.Set("Origin", d.server.URL)
		ask.AddCookie(cookies[0])
		c.change(ask)
		r, err := http.DefaultTransport.RoundTrip(ask)
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		assert.Equal(t, c.code, r.StatusCode, name)
		assert.Equal(t, records, d.replica.Store.Records(), name)
	}
	mine := d.browser
	d.browser = d.newBrowser()
	foreign := d.fields(d.get("/write/place_added")).Get("token")
	d.browser = mine
	for name, token := range map[string]string{"no token": "", "a token of another session": foreign} {
		v := d.fields("", "name", "shelf", "kind", "shelf", "token", token)
		code, _, _ := d.send("/write/place_added", v)
		assert.Equal(t, http.StatusForbidden, code, name)
		assert.Equal(t, records, d.replica.Store.Records(), name)
	}
	code, _, _ := d.send("/write/place_added", good)
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, records+1, d.replica.Store.Records(), "the good one is saved")
}

// TestTheDoorOpensOnce uses a one-time address twice.
func TestTheDoorOpensOnce(t *testing.T) {
	d := newLaptop(t)
	in, err := d.site.Entrance()
	require.NoError(t, err)
	u, err := url.Parse(in)
	require.NoError(t, err)
	for i, want := range []int{http.StatusOK, http.StatusForbidden} {
		r, err := http.Get(d.server.URL + u.Path)
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		assert.Equal(t, want, r.StatusCode, "time %d", i+1)
		if i == 0 {
			assert.Contains(t, r.Header.Get("Set-Cookie"), "HttpOnly")
			assert.Contains(t, r.Header.Get("Set-Cookie"), "SameSite=Strict")
		}
		assert.Contains(t, r.Header.Get("Content-Security-Policy"), "default-src 'self'")
		assert.Equal(t, "DENY", r.Header.Get("X-Frame-Options"))
	}
	again, err := New(d.site.Config)
	require.NoError(t, err)
	d.server.Config.Handler = again
	d.get("/barn") // a browser stays in when the program starts again
}

// TestOneFormIsOneRecord sends a form twice, from two tabs, and again after going
// back and changing it.
func TestOneFormIsOneRecord(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	page := d.get("/write/place_added")
	v := d.fields(page, "name", "shelf", "kind", "shelf")
	before := d.replica.Store.Records()
	done := make(chan int)
	for range 4 {
		go func() {
			ask, _ := http.NewRequest(http.MethodPost, d.server.URL+"/write/place_added", strings.NewReader(v.Encode()))
			ask.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			ask.Header.Set("Origin", d.server.URL)
			r, err := d.browser.Do(ask)
			if err != nil {
				done <- 0
				return
			}
			done <- r.StatusCode
		}()
	}
	for range 4 {
		require.Equal(t, http.StatusSeeOther, <-done)
	}
	assert.Equal(t, before+1, d.replica.Store.Records())
	v.Set("name", "another shelf")
	code, _, _ := d.send("/write/place_added", v)
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, before+1, d.replica.Store.Records(), "going back and sending again makes nothing new")
	assert.Contains(t, plainText(d.get("/clinic")), "This was saved before: nothing new was made.")
}

// TestStartingTwiceStartsOnce presses the button of the start in two tabs.
func TestStartingTwiceStartsOnce(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	started := 0
	for _, row := range out.Timeline {
		if strings.HasPrefix(row.What, "Plasma started") {
			started++
		}
	}
	assert.Equal(t, 1, started)
	code, _, body := d.send("/case/"+id+"/start", d.fields(d.get("/case/"+id+"/run")))
	assert.NotEqual(t, http.StatusSeeOther, code, "nothing waits to be started")
	assert.NotContains(t, body, "<no value>")
}

// TestErrorsKeepWhatWasTyped sends what does not fit and looks for it again.
func TestErrorsKeepWhatWasTyped(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Quiet Harbour")
	for _, c := range []struct {
		name, path string
		pairs      []string
		says       string
		keeps      []string
	}{
		{"a weight in grams", "/case/" + id + "/weigh", []string{"weight_g", "52500", "method", "scale"}, "'52500' does not fit", []string{`value="52500"`, `value="scale" checked`}},
		{"nothing chosen", "/case/" + id + "/weigh", []string{"weight_g", "52,5"}, "How it was found is missing: choose one.", []string{`value="52,5"`}},
		{"no weight", "/case/" + id + "/weigh", []string{"method", "scale"}, "Weight is missing: type it in kg.", []string{`value="scale" checked`}},
		{"no answer", "/case/" + id + "/risk", []string{"jaundiced_foal_before", "no", "positive_screen", "no"}, "Is this a mule foal (donkey sire)? Choose an answer.", []string{`value="no" checked`}},
		{"no name", "/write/person_added", nil, "is missing: type it.", nil},
		{"Fahrenheit", "/case/" + id + "/look", []string{"temperature_dc", "100.4", "text", "dull <eyes>", "signs", "no_suck"}, "Fahrenheit?", []string{`value="100.4"`, "dull &lt;eyes&gt;", `value="no_suck" checked`}},
		{"an ambiguous day", "/clinic/receive", []string{"product", "Foal plasma", "batch", "H2300", "expiry", "03/04/27", "volume_ml", "950", "count", "2", "place", "north car"}, "does not fit", []string{`value="03/04/27"`, `value="H2300"`}},
		{"thousands separators", "/case/" + id + "/igg", []string{"kind", "laboratory", "igg_cg_per_l", "1,234.5"}, "does not fit", []string{`value="1,234.5"`, `value="laboratory"`}},
		{"a time to come", "/case/" + id + "/weigh", []string{"weight_g", "50", "method", "scale", "happened_at", "2027-01-01 02:10"}, "Is the clock right?", []string{`value="50"`, `value="2027-01-01 02:10"`}},
		{"a chip too short", "/open", []string{"kind", "foal", "dam_chip", "98500"}, "15 digits", []string{`value="98500"`}},
	} {
		before := d.replica.Store.Records()
		code, _, body := d.send(c.path, d.fields(d.get(c.path), c.pairs...))
		assert.Equal(t, http.StatusUnprocessableEntity, code, c.name)
		assert.Contains(t, plainText(body), c.says, c.name)
		for _, k := range c.keeps {
			assert.Contains(t, body, k, c.name)
		}
		assert.Equal(t, before, d.replica.Store.Records(), c.name)
		// The same form, put right, is saved.
		assert.Contains(t, body, `name="request_id"`, c.name)
	}
	page := d.get("/case/" + id + "/weigh")
	v := d.fields(page, "weight_g", "50", "method", "scale", "happened_at", "2027-01-01 02:10", "override.future_time", "the laptop's clock is wrong")
	code, _, _ := d.send("/case/"+id+"/weigh", v)
	assert.Equal(t, http.StatusSeeOther, code, "a reason lets it go on")
}

// TestTheWrongBagIsRefused scans another bag, reads another batch, and leaves a
// point of the check open.
func TestTheWrongBagIsRefused(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	stock, err := d.site.Stock.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	other := stock.Bags[0].Bag
	if other == bag {
		other = stock.Bags[1].Bag
	}
	all := ticks("batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")
	at := "/case/" + id + "/bath"
	for _, c := range []struct {
		name  string
		pairs []string
		says  string
	}{
		{"another bag", append([]string{"bag", other, "read_batch", "H-2207", "read_expiry", "2028-03"}, all...), "The plan says bag " + words.BagNumber(bag)},
		{"a slip in the number", append([]string{"bag", flipped(bag), "read_batch", "H-2207", "read_expiry", "2028-03"}, all...), "check character"},
		{"another batch", append([]string{"bag", bag, "read_batch", "K9", "read_expiry", "2028-03"}, all...), "This is another batch"},
		{"almost the batch", append([]string{"bag", bag, "read_batch", "H2208", "read_expiry", "2028-03"}, all...), "Almost, but not quite"},
		{"another expiry", append([]string{"bag", bag, "read_batch", "H2207", "read_expiry", "2028-04"}, all...), "The books say expiry 2028-03"},
		{"a point left open", append([]string{"bag", bag, "read_batch", "H2207", "read_expiry", "2028-03"}, all[4:]...), "Not saved: 2 points Batch and expiry on the bag are those of the books, above: open. Tick it"},
	} {
		before := d.replica.Store.Records()
		code, _, body := d.send(at, d.fields(d.get(at), c.pairs...))
		assert.Equal(t, http.StatusUnprocessableEntity, code, c.name)
		assert.Contains(t, plainText(body), c.says, c.name)
		assert.Equal(t, before, d.replica.Store.Records(), c.name)
	}
	// The maker's code holds batch and expiry; our number may be typed any way.
	to := d.fill(at, append([]string{"bag", strings.ToLower(words.BagNumber(bag)), "read_batch", "(01)09312345678907(17)280331(10)H2207"}, all...)...)
	assert.NotEqual(t, at, to)
}

// flipped is a bag number with one character wrong.
func flipped(bag string) string {
	c := byte('2')
	if bag[3] == c {
		c = '3'
	}
	return bag[:3] + string(c) + bag[4:]
}

// TestNamesAreText puts HTML and formulas into every name and looks for them.
func TestNamesAreText(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	nasty := `<script>alert(1)</script>"'><img src=x onerror=alert(2)>`
	id := d.foal(nasty)
	d.fill("/write/place_added", "name", `=HYPERLINK("http://x")`+nasty, "kind", "shelf")
	d.fill("/case/"+id+"/look", "text", nasty, "heart_rate", "90")
	for _, p := range []string{"/barn", "/cases", "/clinic", "/clinic/stock", "/clinic/load", "/open", "/owner", "/case/" + id + "/weigh", "/case/" + id + "/sheet", "/case/" + id + "/advice", "/case/" + id + "/handover"} {
		body := d.get(p)
		assert.NotContains(t, body, "<script>alert", p)
		assert.NotContains(t, body, "<img src=x", p)
	}
	csv := d.get("/owner/csv/cases")
	assert.Contains(t, csv, "alert(1)")
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "+1": "'+1", "-1+2": "'-1+2", "-12.5": "-12.5", "@x": "'@x", "\tx": "'\tx", "\rx": "'\rx", "fine": "fine", "": "", "-": "'-",
	} {
		assert.Equal(t, want, files.Inert(in))
	}
}

// TestAHoldTakesTheScreen puts the running bag's batch on hold: every page is the
// hold until it is read, and says it after that too.
func TestAHoldTakesTheScreen(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.fill("/clinic/hold", "product", "Foal plasma", "batch", "h 2207", "reason", "maker called")
	page := d.get("/case/" + id + "/run")
	for _, want := range []string{"Stop: a hold on a bag in use", "maker called", words.BagNumber(bag), "foal of Quiet Harbour", "1800 000 000", "Clamp shut", "The treating vet decides"} {
		assert.Contains(t, plainText(page), want)
	}
	assert.NotContains(t, page, "Running sheet")
	hold := regexp.MustCompile(`name="hold" value="([^"]+)"`).FindStringSubmatch(page)[1]
	record, of, _ := strings.Cut(hold, ".")
	assert.Equal(t, words.BagNumber(bag), of)
	d.send("/seen", d.fields(page, "hold", record+".K0QW-V50M-A", "back", "/barn"))
	assert.Contains(t, plainText(d.get("/barn")), "Stop: a hold on a bag in use", "what was read of another bag of the batch is not read of this one")
	code, to, _ := d.send("/seen", d.fields(page, "hold", hold, "back", "/case/"+id+"/run"))
	require.Equal(t, http.StatusSeeOther, code)
	page = d.get(to)
	assert.Contains(t, plainText(page), "Running sheet")
	assert.Contains(t, plainText(page), "hold on bag "+words.BagNumber(bag))
	code, to, _ = d.send("/seen", d.fields(page, "hold", hold, "back", "//evil.example/"))
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "/barn", to, "only places on this site are gone to")
}

// TestStopAndTreatAsksNothing presses the button with two people known and nobody
// chosen, and gives a drug as the card reckons it.
func TestStopAndTreatAsksNothing(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.fill("/write/person_added", "name", "J. Reed")
	at := "/case/" + id + "/treat"
	code, to, _ := d.send(at, d.fields(d.get("/case/"+id+"/run"), "do", ""))
	require.Equal(t, http.StatusSeeOther, code)
	page := d.get(to)
	text := plainText(page)
	assert.Contains(t, text, "adrenaline 0.5 mL = 0.5 mg of 1 mg/mL, vein, slowly")
	assert.Contains(t, text, "0.01 mg/kg x 50 kg = 0.5 mg; 0.5 mg / 1 mg/mL = 0.5 mL")
	assert.Contains(t, text, "flunixin 1.1 mL = 55 mg of 50 mg/mL")
	assert.Contains(t, text, "Wattle Biologics: 1800 000 000")
	code, _, body := d.send(at, d.fields(page, "do", "drug", "line", "1"))
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	text = plainText(d.get(at))
	assert.Contains(t, text, "adrenaline 0.5 mg of 1 mg/mL")
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	assert.Equal(t, "clamp shut", out.Case.State)
	code, _, _ = d.send(at, d.fields(page, "do", "stop", "given_ml", "120", "reason", "hives"))
	assert.Equal(t, http.StatusSeeOther, code)
}

// TestSeveralPeopleHaveToSayWho asks who writes where several are known, and
// remembers it in this browser.
func TestSeveralPeopleHaveToSayWho(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.fill("/write/person_added", "name", "J. Reed")
	id := ""
	{
		page := d.get("/open")
		v := d.fields(page, "kind", "foal", "dam_name", "Quiet Harbour")
		code, _, body := d.send("/open", v)
		require.Equal(t, http.StatusUnprocessableEntity, code)
		assert.Contains(t, plainText(body), "Missing: the name of whoever enters this")
		who := regexp.MustCompile(`<option value="([^"]+)">J. Reed`).FindStringSubmatch(body)[1]
		v.Set("said_by", who)
		code, to, _ := d.send("/open", v)
		require.Equal(t, http.StatusSeeOther, code)
		id = strings.Split(to, "/")[2]
	}
	assert.NotContains(t, d.get("/case/"+id+"/weigh"), `name="said_by"`)
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	assert.Equal(t, "J. Reed", out.Timeline[0].Who)
}

// TestEnteredAfterwards asks for the time of each entry of the past.
func TestEnteredAfterwards(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Quiet Harbour")
	at := "/write/patient_weighed?later=1&case=" + id
	code, _, body := d.send(at, d.fields(d.get(at), "weight_g", "48", "method", "tape"))
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, plainText(body), "when it happened")
	assert.Equal(t, "/case/"+id+"/later", d.fill(at, "weight_g", "48", "method", "tape", "happened_at", "-3h"))
	assert.Contains(t, plainText(d.get("/case/"+id+"/sheet")), "entered afterwards")
	assert.Contains(t, plainText(d.get("/owner/late")), "patient weighed")
}

// TestDeliveryLoadCount takes a delivery by a scan, loads a car and counts it.
func TestDeliveryLoadCount(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	to := d.fill("/clinic/receive", "product", "Foal plasma", "batch", "(01)09312345678907(17)290430(10)K77(3150)000001", "count", "2", "place", "clinic freezer", "volume_ml", "950", "cost_minor", "310,00")
	require.True(t, strings.HasPrefix(to, "/clinic/labels?"), to)
	u, err := url.Parse(to)
	require.NoError(t, err)
	bags := u.Query()["bag"]
	require.Len(t, bags, 2)
	assert.Contains(t, plainText(d.get(to)), words.BagNumber(bags[0]))
	freezer := regexp.MustCompile(`<option value="([^"]+)">clinic freezer`).FindStringSubmatch(d.get("/clinic/load"))[1]
	d.fill("/clinic/load?place="+freezer, "bags", bags[0], "to_place", d.place)
	d.fill("/clinic/count?place="+d.place, "also", strings.ToLower(words.BagNumber(bags[0])))
	assert.Contains(t, plainText(d.get("/owner/doubts")), "count differs")
	assert.Contains(t, plainText(d.get("/bag/"+bags[0])), "K77")
}

// TestTheLiveStreamWakes opens the stream and expects a wake after a record.
func TestTheLiveStreamWakes(t *testing.T) {
	d := newLaptop(t)
	ask, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.server.URL+"/live", nil)
	require.NoError(t, err)
	r, err := d.browser.Do(ask)
	require.NoError(t, err)
	defer r.Body.Close()
	lines := make(chan string)
	go func() {
		buf := make([]byte, 256)
		for {
			n, err := r.Body.Read(buf)
			if err != nil {
				close(lines)
				return
			}
			lines <- string(buf[:n])
		}
	}()
	assert.Contains(t, <-lines, "event: hello")
	d.begin()
	assert.Contains(t, <-lines, "event: wake")
	d.server.CloseClientConnections()
	for range lines { // until the stream ends
	}
}

// A field says its unit once, and never one unit before another.
func TestAFieldSaysItsUnitOnce(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	page := d.get("/case/" + d.foal("Little Wren") + "/igg")
	require.Contains(t, page, `IgG<span class="out">, g/L</span>`, "the label says it, the box shows it")
	require.NotContains(t, plainText(page), "g/L, g/L")
	for _, page := range []string{"/write/protocol_set", "/write/donor_recorded", "/write/temperature_read", "/write/product_card"} {
		for _, unit := range []string{"g/L", "C", "mL/h", "kg", "mL/kg/h", "mmol/L"} {
			require.NotContains(t, plainText(d.get(page)), " in "+unit+", "+unit, page)
		}
	}
}
