package web

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/trust/pins"
	"thawtrail/internal/web/site"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	alderPIN = "4711"
	reedPIN  = "2580"
)

// share makes the laptop one that M. Alder and J. Reed share, each with a PIN; M. Alder
// writes at the browser. It gives the ids of the two.
func (d *laptop) share() (alder, reed string) {
	d.t.Helper()
	book, err := pins.Open(nil, d.clock.Now, rand.Reader, func([]byte) error { return nil })
	require.NoError(d.t, err)
	d.replica.Pins = book
	d.site.Opens = func(text string) bool { return text == "abbey acorn actor" }
	d.write(&pb.PersonAdded{Name: "J. Reed"})
	out, err := d.site.Audit.ListPeople(d.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(d.t, err)
	for _, p := range out.People {
		switch p.Name {
		case "M. Alder":
			alder = p.Person
		case "J. Reed":
			reed = p.Person
		}
	}
	for _, p := range []struct{ id, pin string }{{reed, reedPIN}, {alder, alderPIN}} {
		d.post("/who", "person", p.id)
		d.post("/pin", "pin", p.pin, "pin_again", p.pin)
	}
	return alder, reed
}

// post sends a form with the browser's token, wants it taken, and gives where it leads.
func (d *laptop) post(path string, pairs ...string) string {
	d.t.Helper()
	code, to, body := d.send(path, d.fields(d.get("/blank"), pairs...))
	require.Equal(d.t, http.StatusSeeOther, code, "%s\n%s", path, plainText(body))
	return to
}

// person is who a record names, and whether that was proven.
func (d *laptop) lastOf(id string) (who string, proven bool, row *pb.TimelineRow) {
	d.t.Helper()
	out, err := d.site.Cases.GetCase(d.t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(d.t, err)
	row = out.Timeline[len(out.Timeline)-1]
	r, err := d.site.Audit.GetRecord(d.t.Context(), &pb.GetRecordRequest{Record: row.Record})
	require.NoError(d.t, err)
	return row.Who, r.Proof == pb.ProofKind_PROOF_KIND_PIN, row
}

// TestSwitchingIsProvenOrSaysNoProof and never fails for want of a PIN.
func TestSwitchingIsProvenOrSaysNoProof(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Quiet Harbour")
	_, reed := d.share()
	weigh := func() (string, bool) {
		t.Helper()
		d.clock.Advance(time.Second)
		d.fill("/case/"+id+"/weigh", "weight_g", "52", "method", "scale")
		who, proven, _ := d.lastOf(id)
		return who, proven
	}
	who, proven := weigh()
	assert.Equal(t, "M. Alder", who)
	assert.True(t, proven, "setting a PIN proves who set it")
	for _, c := range []struct {
		pin, says string
		proven    bool
	}{
		{"", "with no proof: without a PIN", false},
		{"9999", "with no proof: this is not the PIN", false},
		{reedPIN, "known by PIN", true},
	} {
		d.post("/who", "person", reed, "pin", c.pin, "back", "/barn")
		page := plainText(d.get("/barn"))
		assert.Contains(t, page, "J. Reed writes here from now on, ")
		assert.Contains(t, page, c.says)
		who, proven = weigh()
		assert.Equal(t, "J. Reed", who)
		assert.Equal(t, c.proven, proven, c.pin)
	}
	assert.Contains(t, plainText(d.get("/barn")), "J. Reed writes here (known by PIN)")

	// The proof belongs to this browser, and ends when nobody typed.
	other := *d
	other.browser = d.newBrowser()
	assert.NotContains(t, plainText(other.get("/barn")), "known by PIN")
	d.clock.Advance(pins.Idle - time.Minute)
	assert.Contains(t, plainText(d.get("/barn")), "known by PIN")

	// Wrong ones are looked at five times, then not for a while, and the page says
	// for how long; the right one neither, and the work goes on.
	for range 5 {
		d.post("/who", "person", reed, "pin", "0000")
	}
	d.get("/barn")
	d.post("/who", "person", reed, "pin", reedPIN)
	assert.Contains(t, plainText(d.get("/barn")), "too many wrong PINs; the next one is looked at in 1 minute")
	who, proven = weigh()
	assert.Equal(t, "J. Reed", who)
	assert.False(t, proven)
	d.clock.Advance(time.Minute)
	d.post("/who", "person", reed, "pin", reedPIN)
	_, proven = weigh()
	assert.True(t, proven)
}

// TestSettingOnesOwnPIN takes the old one or the machine's passphrase.
func TestSettingOnesOwnPIN(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	alder, _ := d.share()
	set := func(pairs ...string) (int, string) {
		code, _, body := d.send("/pin", d.fields(d.get("/pin"), pairs...))
		return code, plainText(body)
	}
	for _, c := range []struct {
		says  string
		pairs []string
	}{
		{"are not the same", []string{"pin", "1234", "pin_again", "1235", "old_pin", alderPIN}},
		{"4 to 12 digits", []string{"pin", "12", "pin_again", "12", "old_pin", alderPIN}},
		{"is needed to change it: without a PIN", []string{"pin", "1234", "pin_again", "1234"}},
		{"is needed to change it: this is not the PIN", []string{"pin", "1234", "pin_again", "1234", "old_pin", reedPIN}},
		{"is needed to change it", []string{"pin", "1234", "pin_again", "1234", "passphrase", "abbey acorn"}},
	} {
		code, page := set(c.pairs...)
		assert.Equal(t, http.StatusUnprocessableEntity, code, c.says)
		assert.Contains(t, page, c.says)
		assert.NotContains(t, page, "1234")
	}
	code, _ := set("pin", "1234", "pin_again", "1234", "old_pin", alderPIN)
	require.Equal(t, http.StatusSeeOther, code)
	code, _ = set("pin", "123456", "pin_again", "123456", "passphrase", "abbey acorn actor")
	require.Equal(t, http.StatusSeeOther, code)
	assert.Contains(t, plainText(d.get("/barn")), "M. Alder writes here from now on, known by PIN.")
	_, err := d.replica.Pins.Prove(alder, "123456")
	require.NoError(t, err)
}

// TestActsAskForThePINThere: optional, and 'no proof' without.
func TestActsAskForThePINThere(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	d.share()
	field := regexp.MustCompile(`<input id="bag_discarded-pin" name="pin" type="password" inputmode="numeric"`)
	require.Regexp(t, field, d.get("/write/bag_discarded"))
	for _, free := range []string{"/write/vitals_noted", "/write/stopped", "/write/clamped", "/write/bag_found"} {
		require.NotRegexp(t, `name="pin"[^>]*aria-describedby="[a-z_]+-pin-hint"`, strings.ReplaceAll(d.get(free), "who-pin", ""), free)
	}
	for _, c := range []struct{ pin, says string }{
		{"", "'no proof' of who did it: without a PIN"}, {"0000", "'no proof' of who did it: this is not the PIN"}, {alderPIN, ""},
	} {
		d.fill("/write/bag_discarded?back=/bag/"+bags[0], "bag", bags[0], "reason", "broken", "pin", c.pin)
		page := plainText(d.get("/bag/" + bags[0]))
		if c.says == "" {
			assert.NotContains(t, page, "'no proof'")
		} else {
			assert.Contains(t, page, c.says)
		}
		d.clock.Advance(time.Second)
	}
	// The owner sees who and what.
	list := d.get("/owner/unproven")
	assert.Equal(t, 2, strings.Count(list, ">Thrown away, broken"))
	assert.Contains(t, plainText(list), "M. Alder")
	assert.Contains(t, plainText(d.get("/bag/"+bags[0])), "(no proof)")

	// A caution that takes a reason takes the PIN beside it.
	v := d.fields(d.get("/write/bag_softened"), "bag", bags[1], "happened_at", "+3h")
	code, _, body := d.send("/write/bag_softened", v)
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, body, `id="bag_softened-pin"`)
	v.Set("override.future_time", "the clock here is slow")
	v.Set("pin", alderPIN)
	code, _, body = d.send("/write/bag_softened", v)
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	assert.NotContains(t, d.get("/owner/unproven"), "future_time")
}

// stopsOn wants what never locks on a page.
func stopsOn(t *testing.T, page, id string) {
	t.Helper()
	for _, part := range []string{
		`data-key="F7"`, `data-key="F8"`, `data-key="F9"`, `action="/case/` + id + `/clamp"`, `action="/case/` + id + `/treat"`, `href="/case/` + id + `/slower"`,
	} {
		assert.Contains(t, page, part)
	}
}

// TestALockedPageKeepsWhatRuns and hides the rest.
func TestALockedPageKeepsWhatRuns(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	alder, reed := d.share()
	other := d.foalOf("Far Meadow")
	d.post("/who", "person", alder, "pin", alderPIN)
	require.Contains(t, d.get("/barn"), `action="/lock"`)
	to := d.post("/lock", "back", "/clinic/stock")
	require.Equal(t, "/locked?back=%2Fclinic%2Fstock", to)

	locked := d.get(to)
	assert.Contains(t, locked, "data-locked")
	stopsOn(t, locked, id)
	assert.Contains(t, locked, `data-alarm="Vitals are due: foal of Quiet Harbour`)
	text := plainText(locked)
	assert.Contains(t, text, "Quiet Harbour")
	for _, hidden := range []string{"Far Meadow", "H-2207", "north car", "Clinic", "Owner", "/another", "Stock", "writes here"} {
		assert.NotContains(t, text, hidden)
	}
	run := d.get("/case/" + id + "/run")
	stopsOn(t, run, id)
	for _, hidden := range []string{`class="path"`, "/handover", "/finish", "Low Meadow", "/sheet", `name="said_by"`} {
		assert.NotContains(t, run, hidden)
	}
	for _, path := range []string{"/barn", "/cases", "/clinic", "/clinic/stock", "/owner", "/bag/" + bag, "/case/" + id + "/sheet", "/case/" + id, "/case/" + other + "/run",
		"/case/" + other + "/treat", "/record/00", "/owner/csv/cases", "/pin", "/sign", "/another", "/write/bag_discarded"} {
		assert.Contains(t, plainText(d.get(path)), "Unlock", path)
		assert.NotContains(t, d.get(path), "Far Meadow", path)
	}

	// All of it works, and carries no name.
	before := d.replica.Store.Records()
	require.Equal(t, "/case/"+id+"/clamp", d.post("/case/"+id+"/clamp"))
	assert.Contains(t, plainText(d.get("/case/"+id+"/clamp")), "The clamp is shut.")
	d.fill("/case/"+id+"/run", "heart_rate", "99")
	d.fill("/case/"+id+"/slower", "ml_per_h", "30")
	d.fill("/case/"+id+"/treat", "do", "reaction", "signs", "hives")
	require.Equal(t, before+4, d.replica.Store.Records())
	who, proven, row := d.lastOf(id)
	assert.Equal(t, "nobody named", who)
	assert.False(t, proven)
	assert.Contains(t, row.Marks, "nobody has signed this yet")
	// Opening the clamp again is a person's decision.
	require.Equal(t, "/locked", d.post("/case/"+id+"/clamp", "do", "resume"))
	require.Equal(t, before+4, d.replica.Store.Records())

	// A wrong PIN leaves it locked; it says so, and lets nobody wait.
	code, _, body := d.send("/unlock", d.fields(locked, "unlock.person", reed, "unlock.pin", alderPIN, "unlock.do", "pin"))
	require.Equal(t, http.StatusLocked, code)
	assert.Contains(t, plainText(body), "It stays locked: this is not the PIN.")
	stopsOn(t, body, id)

	// A forgotten PIN goes on without.
	code, to, _ = d.send("/unlock", d.fields(locked, "unlock.person", reed, "unlock.do", "without", "back", "/clinic/stock"))
	require.Equal(t, http.StatusSeeOther, code)
	require.Equal(t, "/clinic/stock", to)
	page := d.get(to)
	assert.Contains(t, plainText(page), "J. Reed writes here from now on, with no proof: without a PIN.")
	assert.Contains(t, plainText(page), "4 entries without a name: sign them")

	// What was done meanwhile is signed.
	d.post("/who", "person", reed, "pin", reedPIN)
	sign := d.get("/sign")
	records := regexp.MustCompile(`name="record" value="([0-9a-f]+)"`).FindAllStringSubmatch(sign, -1)
	require.Len(t, records, 4)
	d.fill("/sign", "record", records[0][1], "record", records[1][1], "record", records[2][1])
	assert.Contains(t, plainText(d.get("/barn")), "1 entry without a name: sign it")
	d.fill("/sign", "record", records[3][1])
	assert.NotContains(t, d.get("/barn"), `href="/sign"`)
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	for _, row := range out.Timeline {
		assert.NotEqual(t, "nobody named", row.Who, row.What)
	}
}

// foalOf opens a second case, written without a page.
func (d *laptop) foalOf(dam string) string {
	return d.write(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam, Yard: "Low Meadow", ClockChecked: true}).Made[0]
}

// TestNothingSentToALockedPageIsLost: it goes on with the name.
func TestNothingSentToALockedPageIsLost(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	alder, _ := d.share()
	form := d.get("/write/bag_discarded?back=/barn")
	sent := d.fields(form, "bag", bags[0], "reason", "broken", "pin", "1111", "volume_ml", "950")
	d.clock.Advance(pins.Idle + time.Second) // it was left alone, and locked itself
	before := d.replica.Store.Records()
	code, _, body := d.send("/write/bag_discarded?back=/barn", sent)
	require.Equal(t, http.StatusLocked, code)
	require.Equal(t, before, d.replica.Store.Records())
	assert.Contains(t, plainText(body), "The page was locked before this was sent, and it is not saved yet.")
	assert.NotContains(t, body, "1111")
	again := d.fields(body, "unlock.person", alder, "unlock.pin", alderPIN, "unlock.do", "pin")
	for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`).FindAllStringSubmatch(body, -1) {
		if m[1] != "token" {
			again.Set(m[1], m[2])
		}
	}
	require.Equal(t, sent.Get("request_id"), again.Get("request_id"))
	action := regexp.MustCompile(`<form method="post" action="(/write[^"]+)"`).FindStringSubmatch(body)[1]
	code, to, body := d.send(action, again)
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	require.Equal(t, "/barn", to)
	require.Equal(t, before+1, d.replica.Store.Records())
	out, err := d.site.Audit.ListUnproven(t.Context(), &pb.ListUnprovenRequest{})
	require.NoError(t, err)
	require.Empty(t, out.Rows, "the PIN that opened the page proves the act sent with it")
}

// TestItLocksByItself for all its tabs, and a restart opens nothing.
func TestItLocksByItself(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.share()
	d.clock.Advance(pins.Idle - time.Second)
	fetch, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.server.URL+"/barn", nil)
	require.NoError(t, err)
	fetch.Header.Set("X-Live", "1")
	r, err := d.browser.Do(fetch)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, http.StatusOK, r.StatusCode)
	d.clock.Advance(2 * time.Second) // what the page fetches by itself is nobody typing
	require.Contains(t, plainText(d.get("/barn")), "Unlock")

	// Typing in a long form keeps it open.
	d.unlock("M. Alder", alderPIN)
	token := d.fields(d.get("/barn"))
	for range 3 {
		d.clock.Advance(pins.Idle - time.Second)
		code, _, _ := d.send("/used", token)
		require.Equal(t, http.StatusNoContent, code)
	}
	require.NotContains(t, d.get("/barn"), "data-locked")

	// The program starts again: the cookie is good, and the page is locked.
	again, err := New(site.Config{Replica: d.replica, Clock: d.clock})
	require.NoError(t, err)
	book, err := pins.Open(nil, d.clock.Now, rand.Reader, func([]byte) error { return nil })
	require.NoError(t, err)
	require.NoError(t, book.Set("anybody", "1234"))
	d.replica.Pins = book
	d.server.Config.Handler = again
	require.Contains(t, d.get("/barn"), "data-locked")
}

// unlock opens the browser.
func (d *laptop) unlock(name, pin string) {
	d.t.Helper()
	page := d.get("/locked")
	id := regexp.MustCompile(`<option value="([^"]+)"[^>]*>` + regexp.QuoteMeta(name)).FindStringSubmatch(page)
	require.NotNil(d.t, id, plainText(page))
	code, _, body := d.send("/unlock", d.fields(page, "unlock.person", id[1], "unlock.pin", pin, "unlock.do", "pin"))
	require.Equal(d.t, http.StatusSeeOther, code, plainText(body))
}

// TestAHoldOnALockedPage takes the screen, and again once somebody has opened it.
func TestAHoldOnALockedPage(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.share()
	d.post("/lock")
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2207", Reason: "maker called"})
	page := d.get("/locked")
	require.Contains(t, page, `class="takeover"`)
	require.Contains(t, page, `action="/case/`+id+`/clamp"`)
	hold := regexp.MustCompile(`name="hold" value="([^"]+)"`).FindStringSubmatch(page)[1]
	d.post("/seen", "hold", hold, "back", "/locked")
	page = d.get("/locked")
	require.NotContains(t, page, `class="takeover"`)
	require.Contains(t, plainText(page), "maker called")
	stopsOn(t, page, id)
	d.unlock("M. Alder", alderPIN)
	require.Contains(t, d.get("/barn"), `class="takeover"`)
}

// TestWithoutPINsNothingChanges: no lock, no field, no word of proof.
func TestWithoutPINsNothingChanges(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	book, err := pins.Open(nil, d.clock.Now, rand.Reader, func([]byte) error { return nil })
	require.NoError(t, err)
	d.replica.Pins = book
	d.clock.Advance(48 * time.Hour)
	page := d.get("/write/bag_discarded")
	for _, absent := range []string{`action="/lock"`, `name="pin"`, wording.NoProof} {
		assert.NotContains(t, page, absent)
	}
	assert.Contains(t, page, `href="/pin"`)
	code, _, _ := d.send("/lock", url.Values{})
	assert.Equal(t, http.StatusForbidden, code, "only with the token of the session")
}

// TestSigningClosesIt: what was saved without a name is a discrepancy until somebody who
// may has signed it.
func TestSigningClosesIt(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.write(&pb.PersonAdded{Name: "J. Reed"})
	d.fill("/case/"+id+"/run", "heart_rate", "99")
	open := func() int {
		out, err := d.site.Audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
		require.NoError(t, err)
		return len(out.Discrepancies)
	}
	require.Equal(t, 1, open())
	waiting, err := d.site.Audit.ListUnproven(t.Context(), &pb.ListUnprovenRequest{Unsigned: true})
	require.NoError(t, err)
	require.Len(t, waiting.Rows, 1)
	d.write(&pb.Signed{Records: []string{waiting.Rows[0].Record}})
	require.Zero(t, open())
	require.NotContains(t, d.get("/case/"+id+"/sheet"), "not entitled")
}
