package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// toBags takes a new case as far as the accepted plan with its bags.
func (d *laptop) toBags() (id, bag string) {
	d.t.Helper()
	d.begin()
	id = d.foal("Quiet Harbour")
	at := "/case/" + id
	require.Equal(d.t, at+"/risk", d.fill(at+"/look", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34"), "'nothing by mouth' is known before colostrum")
	require.Equal(d.t, at+"/colostrum", d.fill(at+"/risk", "jaundiced_foal_before", "no", "positive_screen", "no", "donkey_sire", "no", "yellow_or_red_urine", "no"))
	require.Equal(d.t, at+"/weigh", d.fill(at+"/colostrum", "source", "dam", "volume_ml", "300", "brix_d", "18,5"))
	require.Equal(d.t, at+"/igg", d.fill(at+"/weigh", "weight_g", "50", "method", "scale"))
	require.Equal(d.t, at+"/dose", d.fill(at+"/igg", "kind", "barn immunoassay", "igg_cg_per_l", "3.5"))
	dose := at + "/dose?place=" + url.QueryEscape(d.place)
	page := d.get(dose)
	bag = regexpBag.FindStringSubmatch(page)[1]
	require.Equal(d.t, at+"/agree", d.fill(dose, "bags", bag, "volume_ml", "950"))
	require.Equal(d.t, at+"/bath", d.fill(at+"/agree", "amount_minor", "980", "by", "P. Hollis", "how", "by telephone"))
	return id, bag
}

// toRunning goes on until plasma runs.
func (d *laptop) toRunning() (id, bag string) {
	d.t.Helper()
	id, bag = d.toBags()
	d.toBath(id, bag)
	d.fromBath(id, bag)
	return id, bag
}

// toBath checks a bag and puts it into the bath.
func (d *laptop) toBath(id, bag string) {
	d.t.Helper()
	at := "/case/" + id
	require.Equal(d.t, at+"/thaw", d.fill(at+"/bath", append([]string{"bag", bag, "read_batch", "h2207", "read_expiry", "2028-03"}, ticks("batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")...)...))
	require.Equal(d.t, at+"/thaw", d.fill(at+"/thaw", "do", "start", "bath_dc", "36", "water_l_x10", "12"))
}

// fromBath goes on from the bath until plasma runs.
func (d *laptop) fromBath(id, bag string) {
	d.t.Helper()
	at := "/case/" + id
	d.clock.Advance(25 * time.Minute)
	require.Equal(d.t, at+"/baseline", d.fill(at+"/thaw", "do", "thawed", "bag_dc", "33"))
	require.Equal(d.t, at+"/rate", d.fill(at+"/baseline", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34"))
	require.Equal(d.t, at+"/hang", d.fill(at+"/rate?plateau=20&drops=15"))
	require.Equal(d.t, at+"/start", d.fill(at+"/hang", append([]string{"bag", bag, "bag_dc", "33"}, ticks("patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed", "filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals")...)...))
	require.Equal(d.t, at+"/run", d.fill(at+"/start", "gauge", "16", "site", "left jugular"))
}

// starts checks a bag for a patient and starts it.
func (d *laptop) starts(id, bag string) {
	d.t.Helper()
	d.write(&pb.HangChecked{Case: id, Bag: bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true})
	d.write(&pb.TransfusionStarted{Case: id, Bag: bag})
}

func ticks(names ...string) []string {
	var out []string
	for _, n := range names {
		out = append(out, n, "yes")
	}
	return out
}

// TestTheWholePath walks one case from the first look to its outcome, always by
// the one next step that the pages offer.
func TestTheWholePath(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	at := "/case/" + id
	page := plainText(d.get(at + "/run"))
	require.Contains(t, page, "foal of Quiet Harbour (filly, bay, star, near hind sock, box 4)")
	require.Contains(t, page, "75 mL/h")
	require.Contains(t, page, "aim at 19 drops/min")
	require.Contains(t, page, "No step up: the slow start goes on")
	d.clock.Advance(5 * time.Minute)
	d.fill(at+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	d.clock.Advance(10 * time.Minute)
	d.fill(at+"/run", "temperature_dc", "38.1", "heart_rate", "97", "breathing_rate", "35", "given_ml", "19")
	d.clock.Advance(6 * time.Minute)
	page = plainText(d.get(at + "/run"))
	require.Contains(t, page, "Step up to 1000 mL/h (20 mL/kg/h)")
	require.Contains(t, page, "close to the plan")
	d.fill(at+"/slower", "ml_per_h", "1000")
	d.clock.Advance(15 * time.Minute)
	d.fill(at+"/run", "temperature_dc", "39.3", "heart_rate", "104", "breathing_rate", "38", "given_ml", "260")
	require.Contains(t, plainText(d.get(at+"/run")), "temperature +1.2 C ALARM")
	d.clock.Advance(45 * time.Minute)
	require.Equal(t, at+"/rest", d.fill(at+"/finish", "given_ml", "940"))
	require.Equal(t, at+"/after", d.fill(at+"/rest", "do", "discard", "volume_ml", "10"))
	require.Equal(t, at+"/recheck", d.fill(at+"/after", "person", "M. Alder"))
	d.clock.Advance(24 * time.Hour)
	d.fill(at+"/recheck", "kind", "barn immunoassay", "igg_cg_per_l", "7.1")
	require.Contains(t, plainText(d.get(at+"/recheck")), "Share of IgG found")
	d.fill(at+"/close", "outcome", "well")
	sheet := plainText(d.get(at + "/sheet"))
	for _, want := range []string{"3.50 g/L", "7.10 g/L", "940 mL", words.BagNumber(bag), "50 kg", "Plasma started"} {
		require.Contains(t, sheet, want)
	}
	for _, p := range []string{"/advice", "/handover", "/later", "/patient", "/run", "/treat", "/vitals.svg", "/vitals.svg?dark=1"} {
		d.get(at + p)
	}
}

// TestAnAdult goes from the opening to the accepted plan of a horse, for which
// the vet says how much.
func TestAnAdult(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	to := d.fill("/open", "kind", "horse", "patient_name", "Grey Wren", "sex", "mare", "clock_checked", "yes")
	id := strings.Split(to, "/")[2]
	at := "/case/" + id
	require.Equal(t, at+"/look", to, "no questions of a newborn")
	require.Contains(t, plainText(d.get(at+"/protein")), "A weight comes first")
	require.Equal(t, at+"/weigh", d.fill(at+"/look", "heart_rate", "48", "total_protein_dg_per_l", "40"))

	// A tape wants girth and length: 180 cm and 155 cm are 422 kg by (girth^2 x
	// length) / 11,900 (Carroll and Huntington, Equine Vet J 1988;20:41-45).
	require.Contains(t, plainText(d.get(at+"/weigh?girth=180")), "length from shoulder to buttock")
	require.Contains(t, plainText(d.get(at+"/weigh?girth=180&length=155")), "422 kg")
	require.Equal(t, at+"/dose", d.fill(at+"/weigh", "weight_g", "422", "method", "tape"))

	// (45 - 40) g/L x 45 mL/kg x 2 / 70 g/L x 422 kg, by hand: 2713 mL.
	sum := "?tp=40&target_tp=45&donor_tp=70"
	protein := plainText(d.get(at + "/protein" + sum))
	require.Contains(t, protein, "2713 mL (1356 to 4069)")
	require.Contains(t, protein, "Choose bags for 2713 mL")
	require.Contains(t, d.get(at+"/protein"), `value="40.0"`, "what was measured is the present number")
	dose := at + "/dose" + sum + "&place=" + url.QueryEscape(d.place)
	bags := regexpBag.FindAllStringSubmatch(d.get(dose), -1)
	require.Len(t, bags, 3)
	require.Equal(t, at+"/agree", d.fill(dose, "bags", bags[0][1], "bags", bags[1][1], "volume_ml", "1900"))
	require.Contains(t, plainText(d.get(at+"/agree")), "1900 mL in 2 bags")
	full, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	kept := d.caseOf(id).Plans[0]
	require.Equal(t, "dose", kept.Plan)
	require.NotContains(t, full.NextStep, "isoerythrolysis")

	d.fill(at+"/agree", "amount_minor", "1800", "by", "P. Hollis", "how", "by telephone")

	// Plasma given, the same question is asked again: total protein, not IgG.
	d.starts(id, bags[0][1])
	d.clock.Advance(time.Hour)
	d.fill(at+"/finish", "given_ml", "940")
	require.Contains(t, plainText(d.get(at+"/after")), "tested again within 24 hours")
	d.fill(at+"/after", "person", "M. Alder")
	d.clock.Advance(20 * time.Hour)
	require.Equal(t, at+"/recheck", d.fill(at+"/recheck", "total_protein_dg_per_l", "42.5"))
	recheck := plainText(d.get(at + "/recheck"))
	require.Contains(t, recheck, "Before 40.0 g/L After 42.5 g/L")
	require.Contains(t, recheck, "Total protein after plasma done")
	// A product's name, its label and a source may have the word.
	named := []string{"Foal plasma", "", "One bag for a foal of 50 kg.", "", "1 L a day for a foal of 40 to 60 kg", ""}
	for _, p := range []string{"/look", "/weigh", "/protein", "/dose" + sum, "/agree", "/hang", "/rate", "/run", "/clamp", "/after", "/recheck", "/advice", "/later", "/sheet", "/handover", "/treat"} {
		text := strings.NewReplacer(named...).Replace(plainText(d.get(at + p)))
		require.NotRegexp(t, `(?i)\bfoals?\b`, text, p)
	}
}

// caseOf reads a case.
func (d *laptop) caseOf(id string) (c *ledger.Case) {
	d.t.Helper()
	require.NoError(d.t, query.Reader{Replica: d.replica}.View(d.t.Context(), func(l *query.ReadView) (err error) {
		c, err = l.Case(id)
		return err
	}))
	return c
}

// TestTheBathIsToppedUp asks on the page of the thaw how much hot water brings
// the bath back: 12 L x (35 - 31) / (60 - 35) = 1.92 L.
func TestTheBathIsToppedUp(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	d.toBath(id, bag)
	at := "/case/" + id + "/thaw"
	d.fill(at, "do", "measure", "bath_dc", "31")
	page := d.get(at)
	require.Contains(t, page, `name="water_l" value="12.0"`, "as noted when the bag went in")
	require.Contains(t, page, `name="water_c" value="31.0"`, "as last measured")
	require.NotContains(t, plainText(page), "Lift the bag out. Add", "the hot water's temperature has no default")
	require.Contains(t, plainText(d.get(at+"?hot_c=60")), "Lift the bag out. Add 1.9 L of water at 60 C")
	require.Contains(t, plainText(d.get(at+"?hot_c=60&water_c=36")), "no hot water is needed")
	require.Contains(t, plainText(d.get(at+"?hot_c=60&water_c=41")), "41 C is over 40 C")
	require.Contains(t, plainText(d.get(at+"?hot_c=60&water_c=46")), "quarantined until the vet decides")
}

// TestTwinsShareABag gives the rest of a bag to the other twin on purpose: one act
// with a new set and its caution, and no doubt is raised. A foal that is no twin
// cannot.
func TestTwinsShareABag(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	require.Contains(t, plainText(d.get("/case/"+id+"/share")), "Only for twins")
	d.clock.Advance(20 * time.Minute)
	d.fill("/case/"+id+"/finish", "given_ml", "940")
	open := func(dam, twin string) string {
		return strings.Split(d.fill("/open", "kind", "foal", "dam_name", dam, "twin", twin, "born_at", "-5h", "clock_checked", "yes"), "/")[2]
	}
	a, b, other := open("Slate", "A"), open("Slate", "B"), open("Wren", "A")
	stock, err := d.site.Stock.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	second := stock.Bags[0].Bag
	require.NotEqual(t, bag, second)
	d.starts(a, second)
	require.Contains(t, plainText(d.get("/case/"+other+"/share")), "no open case here")
	d.clock.Advance(20 * time.Minute)
	d.fill("/case/"+a+"/finish", "given_ml", "500")
	at := "/case/" + b + "/share"
	page := plainText(d.get(at))
	require.Contains(t, page, "500 mL 450 mL")
	require.Contains(t, page, "a new set for each")
	before := d.replica.Store.Records()
	to := d.fill(at, "bag", second)
	require.Equal(t, before+2, d.replica.Store.Records(), "the start, and the new set")
	run := plainText(d.get(to))
	require.Contains(t, run, "One bag for two foals")
	d.clock.Advance(30 * time.Minute)
	d.fill("/case/"+b+"/finish", "given_ml", "440")
	require.Contains(t, plainText(d.get("/case/"+b+"/rest")), "440 mL given, about 10 mL left")
	doubts, err := d.site.Audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	for _, x := range doubts.Discrepancies {
		require.NotContains(t, x.Entity, second, x.Text)
	}
	e, err := event.Wrap(form.SpecOf("transfusion_started").Type, &pb.TransfusionStarted{Case: other, Bag: second, SharedWithTwin: true})
	require.NoError(t, err)
	_, err = d.site.Records.Write(t.Context(), &pb.WriteRequest{Entry: e, Author: "M. Alder"})
	require.ErrorContains(t, err, "a bag that only this foal's twin had")
}

// TestLateEntriesAreAllThere writes late entries in three cases and reads them in
// parts of one case: none is missing and none is there twice, and what was gone
// past is counted.
func TestLateEntriesAreAllThere(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	wanted := map[string]bool{}
	for _, dam := range []string{"Slate", "Wren", "Quiet Harbour"} {
		id := d.foal(dam)
		d.fill("/case/"+id+"/weigh", "weight_g", "50", "method", "scale", "happened_at", "-3h")
		wanted[id] = true
	}
	d.fill("/case/"+d.foal("Fern")+"/weigh", "weight_g", "50", "method", "scale", "happened_at", "2027-01-01 02:10", "override.future_time", "the clock is wrong")
	got := map[string]bool{}
	for after, n := "", 0; ; n++ {
		part, err := d.site.Audit.ListLate(t.Context(), &pb.ListLateRequest{Limit: 1, After: after})
		require.NoError(t, err)
		for _, r := range part.Rows {
			require.Equal(t, "patient weighed", words.Plain(r.What))
			require.False(t, got[r.Case], "once")
			got[r.Case] = true
		}
		if after = part.Next; after == "" {
			break
		}
		require.Less(t, n, 10)
	}
	require.Equal(t, wanted, got)
	page := plainText(d.get("/owner/late"))
	csv := d.get("/owner/csv/late")
	for _, dam := range []string{"Slate", "Wren", "Quiet Harbour"} {
		require.Contains(t, page, "foal of "+dam)
		require.Contains(t, csv, "foal of "+dam)
	}
	past, err := d.site.Audit.ListOverrides(t.Context(), &pb.ListOverridesRequest{})
	require.NoError(t, err)
	require.Len(t, past.Rows, 1)
	require.Equal(t, "future_time", past.Rows[0].Code)
	require.EqualValues(t, 1, past.Rows[0].Times)
	require.Contains(t, plainText(d.get("/owner")), past.Rows[0].Month+" future time 1")
}

// TestABeginningInMgPerDl founds a practice by its page that shows IgG in mg/dL too: it
// is typed with its unit and shown beside g/L, and a bare number stays one in g/L.
func TestABeginningInMgPerDl(t *testing.T) {
	d := newLaptop(t)
	require.Contains(t, plainText(d.get("/barn")), "The books are empty")
	to := d.fill("/write/practice_founded?back=/clinic/setup", "name", "Hill Road Equine", "zone", "Europe/Dublin", "currency", "EUR", "owner_name", "P. Hill", "igg_unit", "mg_per_dl")
	require.Equal(t, "/clinic/setup", to)
	id := strings.Split(d.fill("/open", "kind", "foal", "dam_name", "Slate", "born_at", "-20h"), "/")[2]
	at := "/case/" + id
	require.Contains(t, plainText(d.get(at+"/igg")), `IgG , g/L or in mg/dL, with the unit`)
	d.refused(at+"/igg", "kind", "laboratory", "igg_cg_per_l", "350")
	d.fill(at+"/igg", "kind", "laboratory", "igg_cg_per_l", "350 mg/dL", "both.igg_cg_per_l", "350 mg/dL")
	require.Contains(t, plainText(d.get(at+"/sheet")), "IgG before plasma 3.50 g/L (350 mg/dL)")
}
