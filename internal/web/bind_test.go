package web

import (
	"net/url"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestTheStartPageBinds shows before the press what stands against it, writes nothing
// until each point has its reason, and then keeps the reasons.
func TestTheStartPageBinds(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	at := "/case/" + id + "/start"
	page := plainText(d.get(at))
	require.Contains(t, page, "No check before the set goes in is noted of bag "+words.BagNumber(bag)+" (Foal plasma, batch H-2207) for this patient")
	require.Contains(t, page, "Nothing says that bag "+words.BagNumber(bag))
	before := d.replica.Store.Records()
	require.Contains(t, plainText(d.refused(at, "gauge", "16", "site", "left jugular", "override.start_not_thawed", "soft all through")), "Plasma is not started")
	require.Equal(t, before, d.replica.Store.Records(), "neither catheter nor set nor start")
	require.Equal(t, "/case/"+id+"/run", d.fill(at, "override.start_not_thawed", "soft all through", "override.start_not_checked", "on paper"))
	past, err := d.site.Audit.ListOverrides(t.Context(), &pb.ListOverridesRequest{})
	require.NoError(t, err)
	require.Len(t, past.Rows, 2)
}

// TestNextNamesNoBagThatCannotBeGiven puts the planned bag on hold: the way goes back
// to choosing, on the pages and by the command.
func TestNextNamesNoBagThatCannotBeGiven(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	require.Contains(t, d.next(id), words.BagNumber(bag))
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2207", Reason: "two reactions"})
	require.Contains(t, d.next(id), "choose another bag")
	require.Contains(t, d.next(id), "two reactions")
	page := d.get("/case/" + id + "/bath")
	require.Contains(t, page, `href="/case/`+id+`/dose"`)
	require.NotContains(t, plainText(d.get("/case/"+id+"/bath")), "Scan", "no page offers the bag")
	require.Contains(t, plainText(d.get("/case/"+id+"/dose")), "Choose another bag. Of bag "+words.BagNumber(bag)+" (Foal plasma, batch H-2207) the books say: on hold")
}

// TestNextNamesNoBagThatHangsElsewhere starts the planned bag at another patient.
func TestNextNamesNoBagThatHangsElsewhere(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	d.starts(d.foal("Slate"), bag)
	require.Contains(t, d.next(id), "choose another bag")
	require.Contains(t, d.next(id), "it hangs at the foal of Slate")
}

// refused fills in a page's form, which is to be shown again.
func (d *laptop) refused(path string, pairs ...string) string {
	d.t.Helper()
	code, _, body := d.send(path, d.fields(d.get(path), pairs...))
	require.Equal(d.t, 422, code, "%s\n%s", path, plainText(body))
	return body
}

// next is the next step of a case as the command tells it.
func (d *laptop) next(id string) string {
	d.t.Helper()
	out, err := d.site.Cases.GetCase(d.t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(d.t, err)
	return out.NextStep
}

// TestAnAlarmStandsOnThePage: a sign out of its limit stays told, and sounds, until that
// sign is measured again; the step up waits; a shut clamp is what the page says.
func TestAnAlarmStandsOnThePage(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	at := "/case/" + id + "/run"
	d.clock.Advance(15 * time.Minute)
	require.Contains(t, plainText(d.get(d.fill(at, "temperature_dc", "39.4", "heart_rate", "98", "breathing_rate", "36"))), "Alarm: temperature up 1.3 C from 38.1 C")
	d.clock.Advance(6 * time.Minute)
	d.fill(at, "heart_rate", "97", "given_ml", "20")
	page := d.get(at)
	require.Contains(t, plainText(page), "temperature up 1.3 C", "the heart alone ends nothing")
	require.Contains(t, page, `data-alarm="An alarm stands"`)
	require.Contains(t, plainText(page), "No step up: an alarm stands")
	d.fill(at, "temperature_dc", "38.3", "heart_rate", "98", "breathing_rate", "36")
	page = d.get(at)
	require.NotContains(t, page, "An alarm stands")
	require.Contains(t, plainText(page), "Step up to 1000 mL/h")
	d.fill("/case/" + id + "/clamp")
	page = plainText(d.get(at))
	require.Contains(t, page, "clamp is shut")
	require.NotContains(t, page, "75 mL/h")
	require.NotContains(t, page, "Step up to")
}

// TestAPonyFoalIsToldMl: a foal of 24 kg whose plan is a part of one bag. No page says
// '0 bags' or offers the whole bag; rate, marks, 'left' and the end work with the part.
func TestAPonyFoalIsToldMl(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	id := d.foal("Little Wren")
	at := "/case/" + id
	d.fill(at+"/look", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34")
	d.fill(at+"/weigh", "weight_g", "24", "method", "scale")
	d.fill(at+"/igg", "kind", "barn immunoassay", "igg_cg_per_l", "6.5")
	dose := at + "/dose?place=" + url.QueryEscape(d.place)
	raw := d.get(dose)
	page := plainText(raw)
	found := regexp.MustCompile(`Now: (\d+) mL, part of one bag of 950: stop at (\d+)\.`).FindStringSubmatch(page)
	require.NotNil(t, found, page)
	require.Contains(t, raw, `name="volume_ml" value="`+found[1]+`"`)
	require.NotContains(t, page, "0 bags")
	require.Contains(t, plainText(d.refused(dose, "bags", bags[0], "bags", bags[1], "volume_ml", found[1])), "the last one is not needed")
	d.fill(dose, "bags", bags[0], "volume_ml", found[1])
	require.Contains(t, d.get(at+"/rate?plateau=20&drops=15"), found[1]+" mL")
	d.fill(at + "/rate?plateau=20&drops=15")
	d.starts(id, bags[0])
	d.fill(at+"/run", "given_ml", "20")
	run := plainText(d.get(at + "/run"))
	ml, err := strconv.Atoi(found[1])
	require.NoError(t, err)
	require.Contains(t, run, "Stop at "+found[1]+" mL")
	require.Contains(t, run, strconv.Itoa(ml-20)+" mL left")
	require.Contains(t, plainText(d.get(at+"/finish")), found[1]+" mL of it were to be given")
}
