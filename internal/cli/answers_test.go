package cli

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAnswersOnTheScreen keeps the layout of every kind of answer.
func TestAnswersOnTheScreen(t *testing.T) {
	h := strings.Repeat("ab12", 16)
	fr := &pb.Freshness{Text: "This laptop last heard from the clinic's server 25 minutes ago."}
	row := &pb.CaseRow{Case: "5QX2", Patient: "filly out of Quiet Harbour, bay, star", Yard: "Alder Creek", State: "running", OpenedAt: "2026-11-24T01:00:00Z", GivenMl: 310}
	tl := []*pb.TimelineRow{{At: "2026-11-24T01:00:00Z", What: "case opened", Who: "J. Reed", Record: h, Saved: 1}, {At: "2026-11-24T02:20:00Z", What: "transfusion started: bag 7K2M-9QX4-7", Where: "north car", Who: "J. Reed", Record: h, Marks: []string{"entered 40 min later"}, Saved: 3},
		{At: "2026-11-24T02:50:00Z", What: "patient weighed: 52.5 kg", Who: "J. Reed", Record: h, Was: "525 kg", Corrected: &pb.Correction{At: "2026-11-24T02:54:00Z", Who: "A. Fenn", Reason: "a digit too many", Record: h}}}
	dis := []*pb.DiscrepancyRow{{Kind: "given_after_hold", Entity: "H2207", Text: "A bag of this batch was given after the hold.", Open: true, HoldReached: "not_reached", At: "2026-11-24T02:20:00Z", Records: []string{h, h}, Explanations: []string{"the vet decided"}}}
	ms := []proto.Message{
		&pb.GetCaseResponse{Case: row, Dam: "Quiet Harbour 985141000123456", Marks: "bay, star, near hind sock, box 4", WeightKg: new(52.5), Igg: "3.5 g/L (barn immunoassay) at 14 h", Volume_24HMl: 310, NextStep: "vitals at 02:35", Facts: []string{"PCV 34 %", "food chain: out, passport AU 0031", "Withdrawal of Foal plasma by its label: 28 days, until 22 Dec 2026"},
			Transfusions: []*pb.TransfusionRow{{Bag: "7K2M9QX47", Batch: "H2207", StartedAt: "2026-11-24T02:20:00Z", GivenMl: 310, ElapsedMin: 40, Running: true, RateMlPerH: 1000}},
			Vitals:       []*pb.VitalsRow{{At: "2026-11-24T02:15:00Z", TemperatureC: new(38.4), HeartRate: new(int32(100)), BreathingRate: new(int32(36))}, {At: "2026-11-24T02:30:00Z", HeartRate: new(int32(124)), GivenMl: new(int32(25)), Change: "heart rate +24 from baseline"}},
			Timeline:     tl, Discrepancies: dis, Cautions: []*pb.Caution{{Code: "x", Level: "caution", Text: "heart rate rose by 24 from its baseline"}}, Freshness: fr},
		&pb.GetBagResponse{Bag: &pb.BagRow{Bag: "7K2M9QX47", Place: "north car", Product: "Foal plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, State: "set_attached", States: []string{"set_attached", "thawed"}, UseBy: "2026-11-24T06:10:00Z", Because: []string{"set attached 02:10: 4 h"}, ForCase: "5QX2"}, Donor: []string{"donor: Bess", "red-cell antibody screen: negative, sample of 2026-10-01"}, Timeline: tl, Discrepancies: dis, Freshness: fr},
		&pb.GetNowResponse{Now: "2026-11-24T03:00:00Z", Running: []*pb.CaseRow{row}, Due: []*pb.DueRow{{At: "2026-11-24T03:05:00Z", What: "vitals", Case: "5QX2", Bag: "7K2M9QX47", Overdue: true}}, HoldsInUse: []*pb.HoldRow{{Record: h, Kind: "hold", At: "2026-11-24T02:50:00Z", Reason: "two reactions", Who: "clinic", SupportTelephone: "0491 570 156"}}, NotYetSent: 3, Freshness: fr},
		&pb.ListBatchesResponse{Batches: []*pb.BatchRow{{Product: "Foal plasma", Batch: "H2207", Held: true, BagsInStock: 4, Holds: []*pb.HoldRow{{Record: h, Kind: "hold", At: "2026-11-24T02:50:00Z", Reason: "two reactions", Who: "clinic", SupportTelephone: "0491 570 156", Heard: []*pb.HeardRow{{Device: "north laptop", At: "2026-11-24T02:51:00Z"}}}}}}, Freshness: fr},
		&pb.ListDiscrepanciesResponse{Discrepancies: dis, Freshness: fr},
		&pb.GetBalanceResponse{From: "2026-11-01T00:00:00+11:00", Until: "2026-12-01T00:00:00+11:00", Currency: "AUD", Rows: []*pb.BalanceRow{{
			Group: "north car", Opening: 3, OpeningMl: 2850, Closing: 2, ClosingMl: 1900, GivenMl: 940, Unpriced: 1,
			Lines: []*pb.BalanceLine{{Way: "received", Bags: 1, VolumeMl: 950}, {Way: "given", Out: true, Bags: 1, VolumeMl: 950, CostMinor: 31000}, {Way: "discarded", Out: true, Reason: "broken", Bags: 1, VolumeMl: 950, CostMinor: 31000}},
		}}},
		&pb.ListUseResponse{Rows: []*pb.UseRow{{Group: "2026-11", Received: 6, Given: 4, Discarded: 1, GivenMl: 3800, CostMinor: 124000, WasteMinor: 31000}}, Currency: "AUD"},
		&pb.GetDigestResponse{Digest: h, Records: 1234, Heads: []*pb.Head{{Log: h, Device: "north laptop", Lane: "ordinary", Seq: 99, Hash: h}}, FoldVersion: 1},
		&pb.GetRecordResponse{Record: h, Type: "patient_weighed", At: "2026-11-24T02:50:00Z", Who: "J. Reed", Log: h, Seq: 9, Saved: 2, Entities: []string{"case/5QX2"}, Entry: &pb.Entry{Body: &pb.Entry_PatientWeighed{PatientWeighed: &pb.PatientWeighed{Case: "5QX2", WeightG: 52500, Method: 1}}}},
		&pb.GetStatusResponse{Practice: "Alder Creek Equine", Device: "9f21", DeviceName: "north laptop", Records: 120, SavedHere: 3, Sent: 2, HeldOnServer: 115, Server: "10.0.0.2:4270", Link: "up", Freshness: fr, ClockOffsetMs: 12, ClockBoundMs: 3},
		&pb.ListPeopleResponse{People: []*pb.PersonRow{{Person: "P7", Name: "J. Reed", Roles: []string{"vet", "owner"}}}, Devices: []*pb.DeviceRow{{Device: "9f21", Name: "north laptop", LastHeardAt: "2026-11-24T02:50:00Z", Records: 120}}},
		&pb.ListPlacesResponse{Places: []*pb.PlaceRow{{Place: "L3", Name: "north car", Kind: "vehicle_freezer", LastReadingAt: "2026-11-24T02:50:00Z", NowC: new(-19.5), History: "history unknown", Bags: 2}}, Kit: []*pb.KitRow{{Place: "north car", Item: "filtered_set", Count: 4}}},
		&pb.ListStockResponse{Groups: []*pb.StockGroup{{Place: "north car", Product: "Foal plasma", Batch: "H2207", Count: 2, UseBy: "2028-03-31T23:59:59Z", EachMl: 950, TotalMl: 1900, State: "frozen", States: []string{"frozen"}, Expiry: "2028-03", Bags: []string{"7K2M9QX47", "GMJSJN3V9"}, PlaceId: "L3"}}, Sums: []*pb.StockSum{{Place: "north car", State: "frozen", Count: 2, TotalMl: 1900, PlaceId: "L3"}}, Freshness: fr},
		&pb.ListStockResponse{Freshness: fr},
		&pb.ListProductsResponse{Products: []*pb.ProductRow{{Product: "Q1", Name: "Foal plasma", Maker: "Wattle Biologics", Route: "vein", VolumeMl: 950, LeastIggGPerL: 18, Version: 2, Thaw: "in water at 37 C, never in a microwave oven, until no ice is felt", Rate: "slowly at first"}}},
		&pb.ChooseBagsResponse{Bags: []*pb.BagRow{{Bag: "7K2M9QX47", Place: "north car", Product: "Foal plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, State: "frozen", States: []string{"frozen"}, UseBy: "2028-03-31T23:59:59Z", Because: []string{"earliest use-by left"}}}, WasteMl: 0, RunnerUp: []string{"7K2M9QX47"}, Steps: []string{"need 950"}, Freshness: fr},
	}
	var all strings.Builder
	for _, m := range ms {
		d, out, _ := testDesk(t)
		require.NoError(t, d.answer(&flagOf{}, m))
		requireFits(t, out.String())
		fmt.Fprintf(&all, "== %s\n%s\n", m.ProtoReflect().Descriptor().Name(), out)
	}
	const golden = "testdata/answers.golden"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(all.String()), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), all.String())
}
