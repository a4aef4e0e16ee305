//go:build browser

package night

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
)

// People of the story, as they are named in the books.
const (
	owner     = "M. Alder"
	clinician = "T. Moss"
	northVet  = "J. Reed"
	southVet  = "S. Kaya"
)

// TestTheWholeNight is clicked on three pages at once: barn north, barn south, and
// the clinic's, which is the owner's too.
func TestTheWholeNight(t *testing.T) {
	p := begin(t)
	first := webtest.NewTab(t, webtest.Chromium(t, 8*time.Minute))
	clinic := &person{Tab: first, m: p.clinic}
	north := &person{Tab: first.Another(), m: p.north, place: "north freezer"}
	south := &person{Tab: first.Another(), m: p.south, place: "south freezer"}
	for _, d := range []*person{clinic, north, south} {
		d.enter()
	}

	clinic.setUp()
	bags := clinic.receive("H-2207", "2028-03", 4)
	clinic.load("north freezer", bags[:2]...)
	clinic.load("south freezer", bags[2:]...)
	p.agree()

	north.WriteAs(northVet)
	south.WriteAs(southVet)
	north.stockHas(bags[:2]...)
	south.stockHas(bags[2:]...)

	// No signal any more, at either barn.
	for _, w := range p.wires {
		w.Cut()
	}
	north.prepare("Quiet Harbour", "filly", "box 4")
	p.pass(25 * time.Minute)
	north.run()

	// The clinic hears of two reactions elsewhere. Nobody out there can know.
	clinic.hold("H-2207", "maker called: two reactions in another practice")

	// Reload in mid-transfusion: the elapsed time is true, the sheet is the same.
	p.pass(5 * time.Minute)
	north.look("38.2", "98", "36", "6")
	north.unchanged(5*time.Minute, func() { north.Reload() })

	// The other laptop goes on meanwhile, with a bag of the batch that is on hold.
	south.prepare("Slate Morning", "colt", "box 1")
	p.pass(25 * time.Minute)
	south.run()

	// A laptop dies in mid-transfusion, and comes back. Nobody touches the page.
	north.unchanged(30*time.Minute, func() {
		p.north.kill()
		north.Sees("#gone", "The laptop does not answer")
		p.north.start()
		north.Misses("#gone", "does not answer")
	})

	// It dies again, and a look is noted while it is dead: one record, when it is back.
	p.north.kill()
	north.Sees("#gone", "The laptop does not answer")
	north.Type("temperature_dc", "38.3")
	north.Type("heart_rate", "101")
	north.Type("breathing_rate", "35")
	webtest.Ask[any](north.Tab, `document.querySelector("#form-vitals_noted button.main").click(); null`)
	north.Sees(".kept", "Noted here, sent when the laptop answers")
	p.north.start()
	north.Misses(".kept", "Noted here")
	north.Sees("#vitals-so-far", "101")
	require.Equal(t, 1, strings.Count(north.Text("#vitals-so-far"), "101"))

	// The signal is back: the hold takes the screens by itself.
	for _, w := range p.wires {
		w.Restore()
	}
	for _, d := range []*person{north, south} {
		d.Sees(".takeover h1", "Stop: a hold on a bag in use")
		d.Sees(".takeover", "maker called: two reactions in another practice")
		d.Sees(".takeover", d.bag)
		d.Sees(".takeover", "1800 975 711")
		d.takenOverBy(d.bag)
		d.KeyOn(kb.F8)
		d.Press("I have read this; go on")
		d.Sees("#seen", "hold on bag "+d.bag)
		d.Sees("h1", "Clamp shut")
	}
	// Each laptop lists both patients; the alarms of its own one sound there.
	north.alarmsFor("Quiet Harbour", "Slate Morning")
	south.alarmsFor("Slate Morning", "Quiet Harbour")
	clinic.takenOverBy(north.bag, south.bag)
	north.stop("140")
	clinic.takenOverBy(south.bag)
	south.stop("20")
	clinic.Sees("h1", "Batches and holds") // and gives it back when no bag is in use
	p.pass(5 * time.Minute)
	north.recheck(northVet)
	south.recheck(southVet)
	digest, records := p.agree()
	t.Logf("%d records, digest %s on all three", records, digest[:16])

	// The owner's page tells it without blame.
	clinic.WriteAs(owner)
	clinic.PressIn("header", "Owner")
	clinic.PressIn("main", "Discrepancies")
	clinic.Sees("main", "given after hold")
	clinic.Sees("main", "the hold had not reached this laptop")
	clinic.Press("Where the bags of this batch went")
	for _, d := range []*person{north, south} {
		clinic.Sees("main", d.bag)
	}
	clinic.Press(north.bag)
	clinic.Sees("main", "stopped")
	t.Logf("clinic %+v\nnorth %+v\nsouth %+v", clinic.Done, north.Done, south.Done)
}

// person is somebody with a page at one of the three machines.
type person struct {
	*webtest.Tab
	m       *machine
	place   string
	address string // of the case that is treated here
	weighs  string // its patient, kg; 50 when empty
	igg     string // of it, g/L; 3.5 when empty
	drops   string // that its slow start aims at; 19 when empty
	bag     string
}

func (d *person) enter() {
	d.Open(d.m.pages[0])
	d.Press("Go on")
}

// setUp enters what a practice has: people, places, a product and a protocol.
func (d *person) setUp() {
	d.WriteAs(owner)
	form := func(link string) {
		d.PressIn("header", "Clinic")
		d.Press("Enter something else")
		d.Press(link)
	}
	save := func() { d.PressIn("main", "Save") }
	form("Name a person of the practice")
	d.Type("name", clinician)
	save()
	form("Give a person roles")
	d.Choose("person", clinician)
	d.Choose("roles", "clinic")
	save()
	d.WriteAs(clinician)
	for _, v := range []string{"north vehicle", "south vehicle"} {
		form("Name a vehicle")
		d.Type("name", v)
		save()
	}
	for _, place := range [][]string{{"clinic freezer", "freezer"}, {"north freezer", "vehicle freezer", "north vehicle"}, {"south freezer", "vehicle freezer", "south vehicle"}} {
		form("Name a place where bags or kit lie")
		d.Type("name", place[0])
		d.Choose("kind", place[1])
		if len(place) > 2 {
			d.Choose("vehicle", place[2])
		}
		save()
	}
	form("Enter a product's label")
	d.Type("name", "Foal plasma")
	d.Type("maker", "Wattle Biologics")
	d.Type("support_telephone", "1800 975 711")
	d.Type("species", "horse")
	d.Choose("route", "vein")
	d.Type("volume_ml", "950")
	d.Type("least_igg_cg_per_l", "18")
	d.Type("thaw", "Thaw in water of no more than 37 C.")
	d.Type("rate", "Slowly at first.")
	save()
	d.WriteAs(owner)
	form("Set the practice's own numbers for treating")
	d.Type("name", "newborn foal")
	d.Type("reaction_card", "adrenaline | 0.01 mg/kg | 1 mg/mL | vein, slowly | once; call the vet")
	d.Type("checked_by", northVet)
	save()
	d.WriteAs(clinician)
}

var bagNumber = regexp.MustCompile(`[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]`)

// receive takes a delivery and gives the bag numbers that are printed.
func (d *person) receive(batch, expiry string, count int) []string {
	d.PressIn("header", "Clinic")
	d.Press("Receive a delivery")
	d.Press("One batch by hand")
	d.Choose("product", "Foal plasma")
	d.TypeCode("batch", batch)
	d.Type("expiry", expiry)
	d.Type("volume_ml", "950")
	d.Type("count", string(rune('0'+count)))
	d.Choose("place", "clinic freezer")
	d.Type("cost_minor", "310")
	d.Press("Take into stock and number the bags")
	d.Sees("h1", "Bag numbers")
	bags := bagNumber.FindAllString(d.Text(".stickers"), -1)
	require.Len(d.m.t, bags, count)
	return bags
}

// load carries bags from the clinic's freezer to a vehicle.
func (d *person) load(to string, bags ...string) {
	d.PressIn("header", "Clinic")
	d.Press("Load a vehicle")
	d.Choose("place", "clinic freezer")
	d.Press("Show its bags")
	for _, b := range bags {
		d.Choose("bags", b)
	}
	d.Choose("to_place", to)
	d.PressIn("main", "Load")
	d.Sees("h1", "Stock by place")
}

func (d *person) hold(batch, reason string) {
	d.PressIn("header", "Clinic")
	d.Press("Put a batch on hold")
	d.Choose("product", "Foal plasma")
	d.TypeCode("batch", batch)
	d.Type("reason", reason)
	d.PressIn("main", "Put a batch on hold")
	d.Sees("main", "Not heard yet")
}

func (d *person) stockHas(bags ...string) {
	d.PressIn("header", "Barn")
	d.Press("Stock by place")
	for _, b := range bags {
		d.Sees("#stock", b)
	}
}

// prepare goes from the first look to the bag in the bath, always by the step
// that the page leads to.
func (d *person) prepare(dam, sex, box string) {
	d.meet(dam, sex, box)
	d.plan()
	d.Sees("h1", "Agreement")
	d.Type("amount_minor", "980")
	d.Type("by", "P. Hollis")
	d.Type("how", "by telephone")
	d.PressIn("main", "Save")
	d.thaw("h2207", "2028-03")
}

// meet opens the case and examines the foal, up to the dose.
func (d *person) meet(dam, sex, box string) {
	d.PressIn("header", "Barn")
	d.Press("New case")
	d.Choose("kind", "foal")
	d.Type("dam_name", dam)
	d.Choose("sex", sex)
	d.Type("colour", "bay")
	d.Type("markings", "star")
	d.Type("box", box)
	d.Type("born_at", "-14h")
	d.Tick("clock_checked")
	d.Press("Open the case")
	d.Sees("h1", "Examination")
	d.address, _ = strings.CutSuffix(d.Path(), "/look")
	d.Type("temperature_dc", "38.1")
	d.Type("heart_rate", "96")
	d.Type("breathing_rate", "34")
	d.PressIn("main", "Save")
	d.Sees("h1", "isoerythrolysis")
	for _, q := range []string{"jaundiced_foal_before", "positive_screen", "donkey_sire", "yellow_or_red_urine"} {
		d.Choose(q, "no")
	}
	d.PressIn("main", "Save")
	d.Sees("h1", "Colostrum")
	d.Type("source", "dam")
	d.Type("volume_ml", "300")
	d.PressIn("main", "Save")
	d.Sees("h1", "Weight")
	d.Type("weight_g", cmp.Or(d.weighs, "50"))
	d.Choose("method", "scale")
	d.PressIn("main", "Save")
	d.Sees("h1", "IgG")
	d.Type("kind", "barn immunoassay")
	d.Type("igg_cg_per_l", cmp.Or(d.igg, "3.5"))
	d.PressIn("main", "Save")
	d.Sees("h1", "Dose and bags")
}

// plan takes the bag that is offered at the place.
func (d *person) plan() {
	if d.place != "" { // several places are asked for
		d.Choose("place", d.place)
		d.Press("Work out")
	}
	d.bag = bagNumber.FindString(d.Text("#form-plan_accepted"))
	require.NotEmpty(d.m.t, d.bag)
	d.Press("Accept this plan")
}

// thaw checks the bag of the plan and puts it into the bath.
func (d *person) thaw(batch, expiry string) {
	d.Sees("h1", "Check before the water bath")
	d.TypeCode("bag", d.bag)
	d.Sees(".match", "The bag of the plan.")
	d.TypeCode("read_batch", batch)
	d.Type("read_expiry", expiry)
	d.Tick("batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")
	d.Press("Checked: on to the water bath")
	d.Sees("h1", "Water bath and thaw")
	d.Type("bath_dc", "36")
	d.Type("water_l_x10", "12")
	d.Press("Into the water bath now")
	d.Sees("#thaw", "In the water bath since")
}

// run goes from the bag that feels thawed to plasma that runs.
func (d *person) run() {
	d.Type("bag_dc", "33")
	d.Press("Fully thawed, by eye and hand")
	d.Sees("h1", "Baseline")
	d.Type("temperature_dc", "38.1")
	d.Type("heart_rate", "96")
	d.Type("breathing_rate", "34")
	d.PressIn("main", "Save")
	d.Sees("h1", "Plan the rate")
	d.Choose("plateau", "20 mL/kg/h")
	d.Type("drops", "15")
	d.Press("Work out")
	d.Press("Accept this rate")
	d.Sees("h1", "Check before the set goes in")
	d.TypeCode("bag", d.bag)
	d.Tick("patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed")
	d.Type("bag_dc", "33")
	d.Tick("filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals")
	d.Press("Checked: on to the start")
	d.Sees("h1", "Start slowly")
	d.Type("gauge", "16")
	d.Type("site", "left jugular")
	d.Press("Bag spiked, plasma started")
	d.Sees("h1", "Running sheet")
	d.Sees("#run", "aim at "+cmp.Or(d.drops, "19")+" drops/min")
}

// look notes vitals on the running sheet.
func (d *person) look(temperature, heart, breaths, given string) {
	d.Type("temperature_dc", temperature)
	d.Type("heart_rate", heart)
	d.Type("breathing_rate", breaths)
	d.Type("given_ml", given)
	d.Press("Note vitals")
	d.Sees("#vitals-so-far", heart)
}

// takenOverBy waits until the hold on these bags, and no others, has the screen:
// the key for the clamp must never be that of a patient at another laptop.
func (d *person) takenOverBy(bags ...string) {
	t := d.m.t
	t.Helper()
	slices.Sort(bags)
	require.Eventually(t, func() bool {
		shown := bagNumber.FindAllString(d.Text(".takeover"), -1)
		slices.Sort(shown)
		return slices.Equal(bags, shown)
	}, within, lookEvery, "%v", bags)
}

// alarmsFor looks at the barn page and comes back.
func (d *person) alarmsFor(own, other string) {
	back := d.Path()
	d.PressIn("header", "Barn")
	d.Sees("#now", other)
	alarms := webtest.Ask[string](d.Tab, `[...document.querySelectorAll("[data-alarm]")].map(e => e.dataset.alarm).join("; ")`)
	require.Contains(d.m.t, alarms, own)
	require.NotContains(d.m.t, alarms, other)
	d.Back(back)
}

// clocks are what moves by itself on the running sheet.
var clocks = regexp.MustCompile(`(in )?(\d+ h \d+ min|\d+ min|\d+ s)( ago)?|Plan by now \d+ mL|No step up: [^.]*\.`)

// unchanged does something to the page and wants the running sheet as it was, and
// the time since the start true.
func (d *person) unchanged(since time.Duration, do func()) {
	t := d.m.t
	t.Helper()
	before := clocks.ReplaceAllString(d.Text("#run"), "") + d.Text("#vitals-so-far")
	do()
	d.Sees("main", d.bag)
	d.Sees("#run time[data-since]", "min")
	after := clocks.ReplaceAllString(d.Text("#run"), "") + d.Text("#vitals-so-far")
	require.Equal(t, before, after)
	got, err := time.ParseDuration(strings.NewReplacer(" h ", "h", " min", "m", " s", "s").Replace(d.Text("#run time[data-since]")))
	require.NoError(t, err)
	require.GreaterOrEqual(t, got, since)
	require.Less(t, got, since+3*time.Minute, "the story's own time is short")
}

// stop ends the bag on the page that opened after the hold.
func (d *person) stop(given string) {
	d.Press("Reaction: stop and treat")
	d.Type("given_ml", given)
	d.Type("reason", "hold on the batch")
	d.PressIn("form", "Stop this bag")
	d.Misses("main", "Stop this bag")
	d.Press("Bag and set kept back for the laboratory")
	d.Press("Bag and set are kept back")
}

// recheck names who tests again. The next step is another: what was planned is not
// given, and a bag of another batch is the vet's to choose.
func (d *person) recheck(person string) {
	d.Press("Recheck and advice")
	d.Choose("person", person)
	d.Press("Name the recheck")
	d.Sees("h1", "Dose and bags")
}
