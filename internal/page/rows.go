package page

import (
	"strings"
	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// dueRow is something with a time.
type dueRow struct {
	AtMs    int64
	At      string
	What    string
	Href    string
	Overdue bool
	Alarm   bool // sounds when it is due
}

type caseRow struct{ ID, Patient, Yard, State, Opened, Outcome, Given, Recheck string }

func caseRows(in []*pb.CaseRow) []caseRow {
	var out []caseRow
	for _, c := range in {
		row := caseRow{ID: c.Case, Patient: c.Patient, Yard: c.Yard, State: c.State, Outcome: plain(c.Outcome), Opened: clockText(timeOf(c.OpenedAt))}
		if c.GivenMl > 0 {
			row.Given = say("word.ml", c.GivenMl)
		}
		if c.RecheckDue != "" {
			row.Recheck = clockText(timeOf(c.RecheckDue))
		}
		out = append(out, row)
	}
	return out
}

type deviceRow struct {
	ID, Name, LastHeard string
	Records             uint64
	ShutOut             bool
}

func devices(req *Request) ([]deviceRow, error) {
	out, err := req.Site.Audit.ListPeople(req.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return nil, err
	}
	var rows []deviceRow
	for _, d := range out.Devices {
		rows = append(rows, deviceRow{ID: d.Device, Name: d.Name, LastHeard: clockText(timeOf(d.LastHeardAt)), Records: d.Records, ShutOut: d.ShutOut})
	}
	return rows, nil
}

// storyRow is one line of a dated list.
type storyRow struct{ At, What, Who, Where, Marks, Record, Saved string }

func storyRows(in []*pb.TimelineRow) []storyRow {
	var out []storyRow
	for _, r := range in {
		out = append(out, storyRow{clockText(timeOf(r.At)), r.What, r.Who, r.Where, strings.Join(r.Marks, "; "), r.Record, savedWords(r.Saved)})
	}
	return out
}

// doubtRow is a discrepancy as pages show it.
type doubtRow struct {
	Kind, Code, EntityKind, Entity, EntityText, Text, At, HoldReached, Bag string
	Product, Batch                                                         string // of a batch
	Open                                                                   bool
	Explanations                                                           []string
}

func doubtRows(in []*pb.DiscrepancyRow) []doubtRow {
	var out []doubtRow
	for _, d := range in {
		row := doubtRow{
			Kind: plain(d.Kind), Code: d.Kind, EntityText: d.Entity, Text: d.Text, At: clockText(timeOf(d.At)), Open: d.Open,
			HoldReached: reachedWords(d.HoldReached), Explanations: d.Explanations,
		}
		row.EntityKind, row.Entity, _ = strings.Cut(d.Entity, " ")
		if row.EntityKind == event.KindCase {
			row.Entity, _, _ = strings.Cut(row.Entity, ",")
		}
		switch row.EntityKind {
		case event.KindBag:
			row.Bag = row.Entity
		case event.KindBatch:
			row.Product, row.Batch, _ = strings.Cut(row.Entity, "/")
		}
		out = append(out, row)
	}
	return out
}

// unprovenRow is an act without proof, or an entry without a name.
type unprovenRow struct {
	At, What, Who, About, Where, Record string
	Overrides                           []string
	Unsigned                            bool
}

func unprovenRows(in []*pb.UnprovenRow) (out []*unprovenRow) {
	for _, r := range in {
		out = append(out, &unprovenRow{clockText(timeOf(r.At)), r.What, r.Who, r.About, r.Where, r.Record, r.Overrides, r.Unsigned})
	}
	return out
}

type Pair struct{ Name, Value string }
