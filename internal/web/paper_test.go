package web

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// night tells a foal's whole night, each step some minutes after the last: checks, thaw,
// catheter, set, rates, looks, a clamp, a reaction with its drugs, a hand over, a second
// person, and entries that were put right. What a sheet has to tell is listed as it goes.
type richNight struct {
	*laptop
	id, bag string
	told    []string // one for each entry, in the order in which it happened
}

// then does something some minutes later, and keeps what it is told as.
func (n *richNight) then(minutes int, told string, do func()) {
	n.t.Helper()
	n.clock.Advance(time.Duration(minutes) * time.Minute)
	do()
	n.told = append(n.told, strings.ReplaceAll(told, "BAG", words.BagNumber(n.bag)))
}

func newRichNight(t *testing.T) *richNight {
	n := &richNight{laptop: newLaptop(t)}
	n.id, n.bag = n.toBags()
	n.told = []string{"Case opened: foal of Quiet Harbour", "Examined: temperature 38.1 °C", "Isoerythrolysis: no risk factor known", "Colostrum, 300 mL",
		"Weight 50 kg, scale", "IgG 3.50 g/L", "Plan of 950 mL accepted", "Estimate agreed by P. Hollis"}
	at := "/case/" + n.id
	n.then(1, "Checked before the water bath: all six right", func() {
		n.fill(at+"/bath", append([]string{"bag", n.bag, "read_batch", "h2207", "read_expiry", "2028-03"}, ticks("batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")...)...)
	})
	n.then(2, "Into the water bath at 36 °C", func() { n.fill(at+"/thaw", "do", "start", "bath_dc", "36", "water_l_x10", "12") })
	n.then(10, "Water bath at 35.1 °C", func() { n.write(&pb.BathMeasured{Bag: n.bag, BathDc: 351}) })
	n.then(15, "Thawed, by eye and hand", func() { n.fill(at+"/thaw", "do", "thawed", "bag_dc", "33") })
	n.then(2, "Baseline vitals: temperature 38.1 °C", func() {
		n.fill(at+"/baseline", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34")
	})
	n.then(1, "Rate accepted: 1000 mL/h, 15 drops per mL", func() { n.fill(at + "/rate?plateau=20&drops=15") })
	n.then(2, "Checked before the set goes in: all nine right, bag at 33 °C", func() {
		n.fill(at+"/hang", append([]string{"bag", n.bag, "bag_dc", "33"}, ticks("patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed", "filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals")...)...)
	})
	n.then(2, "Catheter of 16 G in, left jugular", func() { n.fill(at+"/start", "gauge", "16", "site", "left jugular") })
	n.told = append(n.told, "Bag spiked", "Plasma started", "Slow start at 75 mL/h")
	n.treats(at)
	return n
}

// treats goes on from the start to the end of the night.
func (n *richNight) treats(at string) {
	n.then(5, "temperature 38.2 °C, heart rate 98/min, respiratory rate 36/min, 6 mL given", func() {
		n.fill(at+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	})
	n.write(&pb.PersonAdded{Name: "K. Low"})
	slip := ""
	n.then(5, "heart rate 101/min, respiratory rate 37/min, 13 mL given", func() {
		slip = n.write(&pb.VitalsNoted{Case: n.id, TemperatureDc: new(int32(383)), HeartRate: new(int32(101)), BreathingRate: new(int32(37)), GivenMl: new(int32(130))}).Record
	})
	n.then(1, "Reaction: hives", func() { n.write(&pb.ReactionNoted{Case: n.id, Signs: []string{"hives"}}) })
	n.then(1, "Clamp shut: 14 mL given", func() { n.flow(false, 14) })
	n.then(1, "55 mg of flunixin, 1.1 mL of 50 mg/mL, vein", func() {
		n.write(&pb.DrugGiven{Case: n.id, Drug: "flunixin", DoseUg: 55_000, StrengthUgPerMl: 50_000, Route: "vein", CheckedBy: "K. Low"})
	})
	n.then(20, "Clamp open again", func() { n.flow(true, 14) })
	n.then(1, "temperature 38.1 °C, heart rate 94/min", func() {
		n.write(&pb.VitalsNoted{Case: n.id, TemperatureDc: new(int32(381)), HeartRate: new(int32(94)), BreathingRate: new(int32(33))})
	})
	n.then(2, "Rate set to 300 mL/h, 75 drops a minute", func() { n.write(&pb.RateSet{Case: n.id, MlPerH: 300, DropsPerMin: new(int32(75))}) })
	void := ""
	n.then(3, "Weight 500 kg", func() {
		void = n.write(&pb.PatientWeighed{Case: n.id, WeightG: 500_000, Method: pb.WeightMethod_WEIGHT_METHOD_TAPE}).Record
	})
	n.then(10, "Handed over to K. Low", func() {
		n.write(&pb.HandedOver{Case: n.id, ToPerson: "K. Low", GivenMl: new(int32(60))})
	})
	n.then(90, "Bag stopped: 940 mL given", func() {
		n.write(&pb.TransfusionEnded{Bag: n.bag, Case: n.id, GivenMl: 940})
	})
	n.then(5, "Catheter out", func() { n.write(&pb.CatheterRemoved{Case: n.id, Site: "left jugular"}) })
	n.then(5, "Thrown away", func() { n.write(&pb.BagDiscarded{Bag: n.bag, Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG}) })
	n.correct(slip, &pb.VitalsNoted{Case: n.id, TemperatureDc: new(int32(383)), HeartRate: new(int32(101)), BreathingRate: new(int32(37)), GivenMl: new(int32(13))}, "a digit too many")
	n.write(&pb.Corrected{Original: void, Void: true, Reason: "the other foal"})
}

// TestTheCaseSheetTellsAllInItsOrder: every recorded fact of a rich night stands on the
// sheet once, in the order in which it happened, with who entered it; what was corrected
// stands once, with what it had said; what happened with the bag away from the patient is
// there too.
func TestTheCaseSheetTellsAllInItsOrder(t *testing.T) {
	n := newRichNight(t)
	page := n.get("/case/" + n.id + "/sheet")
	table := regexp.MustCompile(`(?s)<table class="rowed course">.*?</table>`).FindString(page)
	course := plainText(table)
	last := 0
	for _, want := range n.told {
		require.Equal(t, 1, strings.Count(course, want), "%s\n%s", want, course)
		at := strings.Index(course, want)
		require.Greater(t, at, last, "%s stands before what came before it\n%s", want, course)
		last = at
	}
	require.Equal(t, len(n.told), strings.Count(table, `<td class="when">`), "one line for each entry, and no more")

	assert.Contains(t, course, "130 mL given", "what it had said, struck out")
	assert.Contains(t, course, "a digit too many")
	assert.Regexp(t, `Weight 500 kg, tape.*Never happened; voided .* the other foal`, course)
	assert.Equal(t, 1, strings.Count(course, "130 mL given"))
	assert.Contains(t, course, "checked by K. Low")
	assert.Equal(t, 1, strings.Count(course, "Wednesday 25 Nov 2026"), "the day stands once, not on every line")
	assert.Contains(t, plainText(page), "Of all of it: saved here.")
	assert.NotContains(t, course, "saved here")
}

// TestTheAgeOnASheetIsTheOneThen: a sheet that is printed a year later does not make a
// yearling of the foal.
func TestTheAgeOnASheetIsTheOneThen(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Quiet Harbour")
	assert.Contains(t, plainText(d.get("/case/"+id+"/sheet")), "Age 14 h when the case was opened")
	d.clock.Advance(300 * 24 * time.Hour)
	page := regexp.MustCompile(`(?s)<article.*</article>`).FindString(d.get("/case/" + id + "/sheet"))
	assert.Contains(t, plainText(page), "Age 14 h when the case was opened")
	assert.NotContains(t, plainText(page), "300 d")
}

// TestTheAdviceSheetIsFilled: whom to call, and when the test is done again, stand on it
// without a pen.
func TestTheAdviceSheetIsFilled(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.clock.Advance(2 * time.Hour)
	d.stops(id, bag, 940)
	advice := func() string { return plainText(d.get("/case/" + id + "/advice")) }
	assert.Contains(t, advice(), "between 16:35 on 25 Nov 2026 and 04:35 on 26 Nov 2026 . Who comes: ____")
	assert.Contains(t, advice(), "Telephone of the practice: ____")
	d.write(&pb.SettingsChanged{Name: "telephone", Value: "02 5550 0112"})
	d.write(&pb.RecheckPlanned{Case: id, Person: "M. Alder", DueAt: &pb.Moment{UnixMs: d.clock.Now().Add(20 * time.Hour).UnixMilli(), Zone: "Australia/Sydney"}})
	assert.Contains(t, advice(), "Telephone of the practice: 02 5550 0112")
	assert.Contains(t, advice(), "done again on 00:35 on 26 Nov 2026 by M. Alder")
	for _, value := range []string{"call me", "12", "0491\n570 156", strings.Repeat("1", 41)} {
		assert.True(t, strings.HasPrefix(d.told(&pb.SettingsChanged{Name: "telephone", Value: value}), "refused: value:"), value)
	}
}

// TestTheBlankSheetAsksAll: what a night writes has a place on it, an adult's too.
func TestTheBlankSheetAsksAll(t *testing.T) {
	d := newLaptop(t)
	foal, adult := plainText(d.get("/blank")), plainText(d.get("/blank?adult=1"))
	for _, want := range []string{"20 min", "60 min", "Catheter: gauge, vein, at", "Catheter out at, by", "Drug mg mL mg/mL Vein or muscle Given by, checked by", "Reaction: signs, first at, mL in", "Clamp shut at"} {
		assert.Contains(t, foal, want)
		assert.Contains(t, adult, want)
	}
	for _, newborn := range []string{"Colostrum", "Dam", "Born", "mule foal"} {
		assert.Contains(t, foal, newborn)
		assert.NotContains(t, adult, newborn)
	}
	assert.Contains(t, adult, "Total protein, g/L: before, after")
}

// flow shuts the clamp, or opens it again.
func (n *richNight) flow(open bool, ml int32) {
	n.t.Helper()
	e := &pb.Entry{Body: &pb.Entry_Clamped{Clamped: &pb.FlowChanged{Case: n.id, GivenMl: &ml}}}
	if open {
		e = &pb.Entry{Body: &pb.Entry_Resumed{Resumed: &pb.FlowChanged{Case: n.id, GivenMl: &ml}}}
	}
	_, err := n.site.Records.Write(n.t.Context(), &pb.WriteRequest{Author: n.author(), Entry: e})
	require.NoError(n.t, err)
}

// correct puts an entry right.
func (n *richNight) correct(record string, now *pb.VitalsNoted, why string) {
	n.t.Helper()
	_, err := n.site.Records.Write(n.t.Context(), &pb.WriteRequest{
		Author: n.author(), Entry: &pb.Entry{Body: &pb.Entry_Corrected{Corrected: &pb.Corrected{Original: record, Reason: why}}},
		Replacement: &pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: now}},
	})
	require.NoError(n.t, err)
}
