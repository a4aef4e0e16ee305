package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestFormsStartFromWhatIsInForce: who changes one number of the practice finds the
// others in the form, and does not lose them. Who compared them is asked anew.
func TestFormsStartFromWhatIsInForce(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.write(&pb.ProtocolSet{Name: "newborn foal", TargetIggCgPerL: new(int32(850)), StartUlPerKg: new(int32(400)), HeartRateRise: new(int32(25)), ReactionCard: cardText, CheckedBy: "J. Reed"})
	page := d.get("/write/protocol_set")
	for field, value := range map[string]string{"name": "newborn foal", "target_igg_cg_per_l": "8.5", "start_ul_per_kg": "0.4", "heart_rate_rise": "25", "checked_by": "", "start_min": ""} {
		assert.Regexp(t, `name="`+field+`" value="`+value+`"`, page)
	}
	assert.Contains(t, plainText(page), "adrenaline | 0.01 mg/kg")
	assert.Regexp(t, `name="zone" value="Australia/Sydney"`, d.get("/write/practice_changed"))
	assert.Regexp(t, `name="value" value="24"`, d.get("/write/settings_changed?name=recheck_hours"))

	assert.NotContains(t, d.get("/write/product_card"), "Wattle Biologics", "a new product has a new card")
	var product string
	require.NoError(t, query.Reader{Replica: d.replica}.View(t.Context(), func(l *query.ReadView) error {
		return l.Each(event.KindProduct, func(st ledger.State) (bool, error) { product = st.Key().ID; return false, nil })
	}))
	card := d.get("/write/product_card?product=" + product)
	assert.Regexp(t, `name="maker" value="Wattle Biologics"`, card)
	assert.Regexp(t, `name="least_igg_cg_per_l" value="18"`, card)
	assert.Regexp(t, `name="route" value="vein" checked`, card)
}

// TestTheRecheckShowsWhenItWouldBe: left empty, the time of the recheck is the practice's
// own, and the form says which that is.
func TestTheRecheckShowsWhenItWouldBe(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.write(&pb.SettingsChanged{Name: "recheck_hours", Value: "18"})
	d.write(&pb.TransfusionEnded{Case: id, Bag: bag, GivenMl: 940})
	page := plainText(d.get("/case/" + id + "/after"))
	usual := d.clock.Now().Add(18 * time.Hour).In(sydney(t)).Format("15:04 on 2 Jan 2006")
	assert.Contains(t, page, usual+" when empty")
	out := d.write(&pb.RecheckPlanned{Case: id, Person: "M. Alder"})
	require.NotEmpty(t, out.Record)
	assert.Contains(t, plainText(d.get("/case/"+id+"/recheck")), usual)
}

// sydney is the zone of the practice of these tests.
func sydney(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	return zone
}
