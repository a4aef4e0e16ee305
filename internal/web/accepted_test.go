package web

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestASlowRateStaysSlow: a rate that asks for a reason is sent again with it, and is
// still a rate of the slow start.
func TestASlowRateStaysSlow(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	at := "/case/" + id + "/slower"
	typed := d.fields(d.get("/case/"+id+"/run"), "ml_per_h", "1800", "slow", "yes")
	code, _, page := d.send(at, typed)
	require.Equal(t, 422, code, plainText(page))
	require.Contains(t, page, `<input type="hidden" name="slow" value="yes">`)
	code, _, page = d.send(at, d.fields(page, "slow", "yes", "ml_per_h", "1800", "override.rate_over_ceiling", "as it happened"))
	require.Equal(t, 303, code, plainText(page))
	rates := d.caseOf(id).Rates
	require.EqualValues(t, 1800, rates[len(rates)-1].MlPerH)
	require.True(t, rates[len(rates)-1].SlowStage)
}

// TestTheHandoverPageShowsDrugs: who takes over sees what was given, and when.
func TestTheHandoverPageShowsDrugs(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	require.NotContains(t, plainText(d.get("/case/"+id+"/handover")), "Drugs given")
	d.write(&pb.DrugGiven{Case: id, Drug: "adrenaline", DoseUg: 500, StrengthUgPerMl: 1000, Route: "vein", CheckedBy: "K. Low"})
	page := plainText(d.get("/case/" + id + "/handover"))
	require.Contains(t, page, "Drugs given")
	require.Contains(t, page, "adrenaline 0.5 mg")
}

// TestCommandsKeepTheAcceptedMl: a part of a bag was accepted, and every entry works with
// that number.
func TestCommandsKeepTheAcceptedMl(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.write(&pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: 320, Bags: []string{bag}})
	require.Contains(t, d.next(id), "stop at 320 mL")
	require.Contains(t, codesOf(d.write(&pb.VitalsNoted{Case: id, GivenMl: proto.Int32(325)})), "accepted_ml_given")
	require.NotContains(t, codesOf(d.write(&pb.VitalsNoted{Case: id, GivenMl: proto.Int32(200)})), "accepted_ml_given")
	_, err := d.try(&pb.PlanAccepted{Case: id, Plan: "drip", VolumeMl: 950})
	require.ErrorContains(t, err, "drip_over_dose")
	require.Contains(t, codesOf(d.write(&pb.TransfusionEnded{Case: id, Bag: bag, GivenMl: 700})), "more_than_accepted")
}
