package query_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// addClient enters a client by name and telephone.
func addClient(d *entrytest.Laptop, name, telephone string) string {
	d.T.Helper()
	return d.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: name}, Telephone: &pb.Sealed{Plain: telephone}}).Made[0]
}

// foalOf opens a case of a foal of a mare for a client, as the client is typed.
func foalOf(d *entrytest.Laptop, client, dam, chip, yard string) string {
	d.T.Helper()
	return d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam, DamChip: chip, Yard: yard, Client: client, ClockChecked: true}).Made[0]
}

// answer fails the test where a question fails.
func answer[M proto.Message](t *testing.T, out M, err error) M {
	t.Helper()
	require.NoError(t, err)
	return out
}

func clientsOf(d *entrytest.Laptop, req *pb.ListClientsRequest) []*pb.ClientRow {
	d.T.Helper()
	out, err := d.ListClients(d.T.Context(), req)
	return answer(d.T, out, err).Clients
}

func namesOf(rows []*pb.ClientRow) (out []string) {
	for _, c := range rows {
		out = append(out, c.Name)
	}
	return out
}

const year = 366 * 24 * time.Hour

// Clients are listed by name, found by a part of name or telephone, and read in parts.
func TestClientsAreListed(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	addClient(d, "T. Marsh", "0491 570 110")
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	addClient(d, "a. Brook", "0491 570 158")
	foalOf(d, hollis, "Quiet Harbour", "", "")
	require.Equal(t, []string{"a. Brook", "P. Hollis", "T. Marsh"}, namesOf(clientsOf(d, &pb.ListClientsRequest{})))
	require.Equal(t, []string{"P. Hollis"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Text: "hOLL"})))
	require.Equal(t, []string{"a. Brook"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Text: "570158"})))
	require.EqualValues(t, 1, clientsOf(d, &pb.ListClientsRequest{Text: "Hollis"})[0].Cases)

	first, err := d.ListClients(t.Context(), &pb.ListClientsRequest{Limit: 2})
	require.NoError(t, err)
	require.Equal(t, []string{"a. Brook", "P. Hollis"}, namesOf(first.Clients))
	require.Equal(t, []string{"T. Marsh"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Limit: 2, After: first.Next})))
	_, err = d.ListClients(t.Context(), &pb.ListClientsRequest{After: "nobody"})
	require.ErrorContains(t, err, "an earlier answer")
}

// How long details are kept counts from the last case, and an open case keeps them.
func TestWhatIsDueToBeForgotten(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	addClient(d, "T. Marsh", "0491 570 110")
	id := foalOf(d, hollis, "Quiet Harbour", "", "")
	d.Must(&pb.CaseClosed{Case: id, Outcome: pb.Outcome_OUTCOME_WELL})
	d.Clock.Advance(2 * year)
	open := foalOf(d, hollis, "Quiet Harbour", "", "")
	require.Empty(t, clientsOf(d, &pb.ListClientsRequest{Due: true}), "the practice has not said how long it keeps details")

	d.Must(&pb.SettingsChanged{Name: "keep_client_years", Value: "2"})
	require.Equal(t, []string{"T. Marsh"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Due: true})), "without a case it counts from the entry")
	d.Clock.Advance(3 * year)
	require.Equal(t, []string{"T. Marsh"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Due: true})), "a case is open")
	d.Must(&pb.CaseClosed{Case: open, Outcome: pb.Outcome_OUTCOME_WELL})
	require.Equal(t, []string{"P. Hollis", "T. Marsh"}, namesOf(clientsOf(d, &pb.ListClientsRequest{Due: true})))
	require.Equal(t, "2030", clientsOf(d, &pb.ListClientsRequest{Text: "Hollis"})[0].KeepUntil[:4], "two years after the last case was opened")
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.SettingsChanged{Name: "keep_client_years", Value: "70"})})
	require.Error(t, err)
}

// A horse is read over the years by name, chip or UELN, as patient and as dam.
func TestAHorseOverTheYears(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	const chip = "985000000000001"
	old := foalOf(d, hollis, "Quiet Harbour", chip, "")
	d.Must(&pb.IggTested{Case: old, Kind: "laboratory", IggCgPerL: proto.Int32(350)})
	d.Clock.Advance(year)
	later := foalOf(d, hollis, "quiet  harbour", "", "")
	own := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Quiet Harbour", PatientChip: chip, Client: hollis, ClockChecked: true}).Made[0]
	foalOf(d, hollis, "Other Mare", "985000000000002", "")

	asked := func(mark string) (ids []string, out *pb.GetHorseResponse) {
		got, err := d.GetHorse(t.Context(), &pb.GetHorseRequest{Horse: mark})
		out = answer(t, got, err)
		for _, c := range out.Cases {
			ids = append(ids, c.Case.Case)
		}
		return ids, out
	}
	ids, byName := asked("QUIET HARBOUR")
	require.ElementsMatch(t, []string{old, later, own}, ids)
	require.Contains(t, byName.Marks, chip)
	ids, byChip := asked(chip)
	require.ElementsMatch(t, []string{old, own}, ids)
	oldest := byChip.Cases[slices.Index(ids, old)]
	require.True(t, oldest.AsDam)
	require.False(t, byChip.Cases[slices.Index(ids, own)].AsDam)
	require.Equal(t, "P. Hollis", oldest.ClientName)
	require.Contains(t, oldest.IggBefore, "3.50")
	ids, _ = asked("Quiet")
	require.Empty(t, ids, "whole marks alone")
	_, err := d.GetHorse(t.Context(), &pb.GetHorseRequest{Horse: "  "})
	require.ErrorContains(t, err, "name, chip or UELN")

	shown, err := d.GetClient(t.Context(), &pb.GetClientRequest{Client: "P. Hollis"})
	require.NoError(t, err)
	require.Len(t, shown.Cases, 4)
	require.Len(t, shown.Horses, 2)
	harbour := shown.Horses[slices.IndexFunc(shown.Horses, func(h *pb.HorseRow) bool { return strings.HasPrefix(strings.ToLower(h.Horse), "quiet") })]
	require.EqualValues(t, 3, harbour.Cases)
}

// A client is named wherever one is asked for; of two with one name neither is guessed.
func TestClientsAreNamed(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	id := foalOf(d, "p. hollis", "Quiet Harbour", "", "")
	shown, err := d.GetClient(t.Context(), &pb.GetClientRequest{Client: "P. Hol"})
	require.NoError(t, err)
	require.Equal(t, hollis, shown.Client.Client)
	require.Equal(t, id, shown.Cases[0].Case)

	second := addClient(d, "P. Hollis", "0491 570 157")
	_, err = d.GetClient(t.Context(), &pb.GetClientRequest{Client: "P. Hollis"})
	ref, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "client", ref.Field)
	for _, part := range []string{hollis, "0491 570 156", second, "0491 570 157"} {
		require.Contains(t, ref.Error(), part)
	}
	_, err = d.GetClient(t.Context(), &pb.GetClientRequest{Client: "Nobody"})
	require.Error(t, err)
}

// What a client left in clear, and where it is told: everything that this laptop answers.
func everyAnswer(d *entrytest.Laptop, client, id string, records ...string) string {
	d.T.Helper()
	var out strings.Builder
	tell := func(m proto.Message, err error) {
		d.T.Helper()
		require.NoError(d.T, err)
		out.WriteString(prototext.Format(m))
	}
	ctx := d.T.Context()
	ask := func(m proto.Message, err error) { tell(m, err) }
	cases, err := d.ListCases(ctx, &pb.ListCasesRequest{})
	ask(cases, err)
	sheet, err := d.GetCase(ctx, &pb.GetCaseRequest{Case: id})
	ask(sheet, err)
	now, err := d.GetNow(ctx, &pb.GetNowRequest{})
	ask(now, err)
	list, err := d.ListClients(ctx, &pb.ListClientsRequest{})
	ask(list, err)
	one, err := d.GetClient(ctx, &pb.GetClientRequest{Client: client})
	ask(one, err)
	horse, err := d.GetHorse(ctx, &pb.GetHorseRequest{Horse: "Quiet Harbour"})
	ask(horse, err)
	file, err := d.ExportClient(ctx, &pb.ExportClientRequest{Client: client})
	ask(file, err)
	fixed, err := d.ListCorrections(ctx, &pb.ListCorrectionsRequest{})
	ask(fixed, err)
	recall, err := d.GetRecall(ctx, &pb.GetRecallRequest{Case: id})
	ask(recall, err)
	for _, r := range records {
		rec, err := d.GetRecord(ctx, &pb.GetRecordRequest{Record: r})
		ask(rec, err)
	}
	return out.String()
}

// A client who is forgotten is told by nothing any more: neither by name nor by the yard,
// nor by who agreed or answered; what could not be emptied was named before.
func TestAForgottenClientIsToldNowhere(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	opened := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Yard: "Hill Road", Client: hollis, ClockChecked: true})
	id := opened.Made[0]
	agreed := d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), How: "by telephone"})
	other := d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_100), By: "G. Groom", How: "in person"})
	answered := d.Must(&pb.ReferralOffered{Case: id, Answer: pb.ReferralAnswer_REFERRAL_ANSWER_DECLINED, By: "P. Hollis"})
	hang(d, &pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 620})
	d.Must(&pb.NoteAdded{EntityKind: "case", Entity: id, Text: &pb.Sealed{Plain: "rang P. Hollis twice"}})
	correct(d, "M. Alder", opened.Record, d.Clock.Now(), d.Entry(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Yard: "Hill Road Stud", Client: hollis, Colour: "bay", ClockChecked: true}))
	correct(d, "M. Alder", other.Record, d.Clock.Now(), d.Entry(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_200), By: "G. Groom", How: "in person"}))
	records := []string{opened.Record, agreed.Record, other.Record, answered.Record}

	before := everyAnswer(d, hollis, id, records...)
	for _, word := range []string{"P. Hollis", "Hill Road", "G. Groom", "0491 570 156"} {
		require.Contains(t, before, word)
	}
	shown, err := d.GetClient(t.Context(), &pb.GetClientRequest{Client: hollis})
	require.NoError(t, err)
	fields := map[string]bool{}
	for _, n := range shown.Named {
		require.Equal(t, n.Field != "text", n.Emptied, "%v", n)
		fields[n.Field+": "+n.Text] = true
	}
	for _, where := range []string{"yard: Hill Road", "yard: Hill Road Stud", "by: G. Groom", "text: rang P. Hollis twice"} {
		require.True(t, fields[where], "%s in %v", where, fields)
	}

	d.Must(&pb.ClientForgotten{Client: "P. Hollis", Reason: "asked for"})
	after := everyAnswer(d, hollis, id, records...)
	for _, word := range []string{"Hill Road", "G. Groom", "0491 570 156"} {
		require.NotContains(t, after, word)
	}
	require.Equal(t, strings.Count(after, "P. Hollis"), strings.Count(after, "rang P. Hollis twice"), "only the note, which was named before")
	_, err = d.GetClient(t.Context(), &pb.GetClientRequest{Client: "P. Hollis"})
	require.Error(t, err)

	unproven, err := d.ListUnproven(t.Context(), &pb.ListUnprovenRequest{})
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(unproven.Rows, func(r *pb.UnprovenRow) bool { return strings.Contains(r.What, "Client forgotten") }), "it asks for the PIN")
}

// older writes an entry as a program did that knew no sealed yard.
func older(d *entrytest.Laptop, m proto.Message) string {
	d.T.Helper()
	typ, body, err := event.Unwrap(d.Entry(m))
	require.NoError(d.T, err)
	recs, err := d.Replica.Store.Append(d.T.Context(), store.Draft{
		Type: typ, Payload: body, OccurredAt: &pb.Moment{UnixMs: d.Clock.Now().UnixMilli(), Source: pb.TimeSource_TIME_SOURCE_NOW},
	})
	require.NoError(d.T, err)
	return recs[0].Hash.String()
}

// Of records with plain words no key can be thrown away: how many there are is said before
// the forgetting, with its answer and after it, and they are told nowhere any more.
func TestPlainWordsOfOlderRecords(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	const id = "8QW2ER4TY7"
	records := []string{
		older(d, &pb.CaseOpened{Case: id, Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Sea Cove", Yard: "Hill Road", Client: hollis, ClockChecked: true}),
		older(d, &pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), By: "G. Groom", How: "in person"}),
		older(d, &pb.TransfusionStarted{Case: id, Bag: bags[0], Patient: "name:SEA COVE/HILL ROAD"}),
		older(d, &pb.MareDue{Mare: event.MareID("", "", "Quiet Harbour", hollis), Name: "Quiet Harbour", ServedOn: "2026-01-15", Yard: "Long Paddock", Client: hollis}),
	}
	records = append(records, d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(97_000), By: "T. Trainer", How: "in person"}).Record)
	words := []string{"Hill Road", "HILL ROAD", "G. Groom", "T. Trainer"}
	before := everyAnswer(d, hollis, id, records...)
	for _, w := range words {
		require.Contains(t, before, w)
	}
	shown, err := d.GetClient(t.Context(), &pb.GetClientRequest{Client: hollis})
	require.NoError(t, err)
	require.EqualValues(t, 4, shown.PlainRecords, "the newest is sealed")
	require.Contains(t, shown.PlainText, "4 records hold")
	sealed, plain := map[string]bool{}, map[string]bool{}
	for _, n := range shown.Named {
		require.True(t, n.Emptied)
		if n.Sealed {
			sealed[n.Text] = true
		} else {
			plain[n.Text] = true
		}
	}
	require.Equal(t, map[string]bool{"T. Trainer": true}, sealed)
	require.Equal(t, map[string]bool{"Hill Road": true, "G. Groom": true, "name:SEA COVE/HILL ROAD": true, "Long Paddock": true}, plain)

	said := d.Must(&pb.ClientForgotten{Client: hollis, Reason: "asked for"})
	require.Contains(t, said.Text, "4 records hold")
	after := everyAnswer(d, hollis, id, records...)
	for _, w := range append(words, "Long Paddock") {
		require.NotContains(t, after, w)
	}
	shown, err = d.GetClient(t.Context(), &pb.GetClientRequest{Client: hollis})
	require.NoError(t, err)
	require.Empty(t, shown.Named)
	require.EqualValues(t, 4, shown.PlainRecords, "it is still said")
	mares, err := d.ListLevels(t.Context(), &pb.ListLevelsRequest{})
	require.NoError(t, err)
	require.NotContains(t, prototext.Format(mares), "Long Paddock")
}

// Who agreed is put right from the client to somebody else, and back; the yard keeps its
// words when something else is corrected.
func TestWhoAgreedIsCorrected(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	hollis := addClient(d, "P. Hollis", "0491 570 156")
	opened := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Yard: "Hill Road", Client: hollis, ClockChecked: true})
	id := opened.Made[0]
	agreed := d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), How: "by telephone"})
	tells := func(want, not string) {
		t.Helper()
		sheet, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
		require.NoError(t, err)
		stands := sheet.Timeline[slices.IndexFunc(sheet.Timeline, func(r *pb.TimelineRow) bool { return strings.Contains(r.What, "greed") })]
		require.Contains(t, stands.What, want)
		require.NotContains(t, stands.What, not)
	}
	tells("P. Hollis", "G. Groom")
	correct(d, "M. Alder", agreed.Record, d.Clock.Now(), d.Entry(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), By: "G. Groom", How: "by telephone"}))
	tells("G. Groom", "P. Hollis")
	correct(d, "M. Alder", agreed.Record, d.Clock.Now(), d.Entry(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), How: "by telephone"}))
	tells("P. Hollis", "G. Groom")
	correct(d, "M. Alder", opened.Record, d.Clock.Now(), d.Entry(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Colour: "bay", Yard: "Hill Road", Client: hollis, ClockChecked: true}))
	rows, err := d.ListCases(t.Context(), &pb.ListCasesRequest{Yard: "hill"})
	require.NoError(t, err)
	require.Len(t, rows.Cases, 1, "found by its yard")
}
