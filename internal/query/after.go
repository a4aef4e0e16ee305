package query

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// FollowUp is something that is due after plasma, with a named person, until it is done
// or somebody says why it is left.
type FollowUp struct {
	What   pb.FollowUp
	DueMs  int64
	Text   string // what is due
	Person string // who does it, in words
	Bag    string
}

// Times after plasma. One set 30 min after the end is common practice. After a reaction
// the course may be biphasic (Five-Minute Veterinary Consult: Equine, 3rd ed,
// anaphylaxis); the hourly look for four hours is ours.
const (
	vitalsAfter   = 30 * time.Minute
	earlyBy       = 10 * time.Minute // a look so much earlier counts as that one
	watchFor      = 4 * time.Hour
	watchEvery    = time.Hour
	leastRestMl   = 50 // of a bag, to be worth a decision (ours)
	restUnplanned = 10 // percent of the accepted mL that may stay in bag and set (ours)
)

// After is what is due in a case in which nothing runs, the first first.
func (b *ReadView) After(c *ledger.Case) (out []FollowUp, err error) {
	end := c.LastEndMs()
	if end == 0 || !c.Open() {
		return nil, nil
	}
	add := func(what pb.FollowUp, ms int64, bag, text string) {
		if person, left := b.followed(c, what); !left {
			out = append(out, FollowUp{What: what, DueMs: ms, Bag: bag, Text: text, Person: person})
		}
	}
	if lastLook(c) < end+(vitalsAfter-earlyBy).Milliseconds() {
		add(pb.FollowUp_FOLLOW_UP_VITALS_AFTER, end+vitalsAfter.Milliseconds(), "", "vitals 30 min after the end")
	}
	if ms := watchDue(c); ms != 0 {
		add(pb.FollowUp_FOLLOW_UP_WATCH, ms, "", "watch after the reaction: it may come back; temperature, heart rate and respiratory rate")
	}
	for _, d := range repeatable(c) {
		add(pb.FollowUp_FOLLOW_UP_DRUG, d.Stamp.AtMs+int64(*d.RepeatMin)*60_000, "", d.Drug+" may be given again from now on: look first")
	}
	if given, accepted := plannedMl(c); accepted-given > accepted*restUnplanned/100 {
		add(pb.FollowUp_FOLLOW_UP_NEXT_BAG, end, "",
			fmt.Sprintf("%d of the %d mL accepted are given: the next bag with its slow start, or say why not", given, accepted))
	}
	err = b.restsOf(c, add)
	slices.SortStableFunc(out, func(x, y FollowUp) int { return cmp.Compare(x.DueMs, y.DueMs) })
	return out, err
}

// followed tells who does something that is due: whoever was named for it, else who took
// the case over since, else who ended the last bag; left says that somebody said why it
// is left.
func (b *ReadView) followed(c *ledger.Case, what pb.FollowUp) (person string, left bool) {
	id := ""
	for i := range c.Transfusions {
		for _, e := range c.Transfusions[i].Ends {
			id = cmp.Or(e.Stamp.Author, id)
		}
	}
	if n := len(c.Handovers); n > 0 {
		id = cmp.Or(c.Handovers[n-1].To, id)
	}
	for _, f := range c.Followed {
		if f.What == what {
			id, left = cmp.Or(f.Person, id), f.Reason != ""
		}
	}
	return cmp.Or(b.Person(id), "nobody named yet"), left
}

// lastLook is when the last complete set was noted; 0: none.
func lastLook(c *ledger.Case) (ms int64) {
	for _, look := range Looks(c) {
		if look.Complete() {
			ms = max(ms, look.AtMs)
		}
	}
	return ms
}

// watchDue is when the next look after a reaction is due; 0 when there was none, or it
// has been watched long enough.
func watchDue(c *ledger.Case) int64 {
	n := len(c.Reactions)
	if n == 0 {
		return 0
	}
	seen := c.Reactions[n-1].Stamp.AtMs
	last := max(lastLook(c), seen)
	if last >= seen+watchFor.Milliseconds()-earlyBy.Milliseconds() {
		return 0
	}
	return min(last+watchEvery.Milliseconds(), seen+watchFor.Milliseconds())
}

// repeatable are the drugs with a time to repeat that were not given again.
func repeatable(c *ledger.Case) (out []*ledger.Drug) {
	for i := range c.Drugs {
		d := &c.Drugs[i]
		again := slices.ContainsFunc(c.Drugs[i+1:], func(o ledger.Drug) bool { return strings.EqualFold(o.Drug, d.Drug) })
		if d.RepeatMin != nil && !again {
			out = append(out, d)
		}
	}
	return out
}

// plannedMl is what was given of the bags of the dose that stands, and what was accepted.
func plannedMl(c *ledger.Case) (given, accepted int32) {
	plan := PlanOf(c, "dose")
	if plan == nil {
		return 0, 0
	}
	for i := range c.Transfusions {
		given += c.Transfusions[i].CountedMl()
	}
	return given + c.UnseenMl, plan.VolumeMl
}

// restsOf tells of bags with a rest about which nobody decided, until their use-by.
func (b *ReadView) restsOf(c *ledger.Case, add func(pb.FollowUp, int64, string, string)) error {
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		bag, known, err := b.bagLine(t.Bag)
		if err != nil {
			return err
		}
		if !known || bag.Label == nil || bag.Settled || bag.Label.VolumeMl-bag.GivenMl < leastRestMl {
			continue
		}
		shelf, err := b.ShelfAt(bag, b.ClinicNow())
		if err != nil {
			return err
		}
		until := t.LastMs()
		if !shelf.UseBy.IsZero() {
			until = b.now.Add(shelf.UseBy.Sub(b.ClinicNow())).UnixMilli()
		}
		add(pb.FollowUp_FOLLOW_UP_REST_OF_BAG, until, t.Bag, fmt.Sprintf(
			"rest of bag %s (batch %s): %d mL, to be used or thrown away by then, or kept back", bagText(t.Bag), bag.Label.Batch, bag.Label.VolumeMl-bag.GivenMl))
	}
	return nil
}

// after lists what is due in cases in which nothing runs any more.
func (b *ReadView) after(out *pb.GetNowResponse) error {
	keys, err := b.Find(ledger.TermAfter)
	for _, k := range keys {
		c, err := b.Case(k.ID)
		if err != nil {
			return err
		}
		if c == nil || b.elsewhere(c) || len(out.Due) >= MaxRows {
			continue
		}
		due, err := b.After(c)
		if err != nil {
			return err
		}
		for _, f := range due {
			out.Due = append(out.Due, b.due(f.DueMs, f.Text+", by "+f.Person+": "+patientOrCase(c), k.ID, bagText(f.Bag)))
		}
	}
	return err
}

// dueNow is the first thing that is due by now after plasma, in words; empty: nothing is.
func (b *ReadView) dueNow(c *ledger.Case) (string, error) {
	due, err := b.After(c)
	if err != nil || len(due) == 0 || due[0].DueMs > b.now.UnixMilli() {
		return "", err
	}
	return due[0].Text, nil
}

// ReactionWords tells what reaction was seen in a case; empty: none was noted.
func ReactionWords(c *ledger.Case) string {
	told := c.LastTold()
	if n := len(c.Details); n > 0 {
		d := &c.Details[n-1]
		words := "reaction: " + wording.Enum(d.Kind)
		if d.Grade != 0 {
			words += ", " + wording.Enum(d.Grade)
		}
		return words
	}
	for i := range c.Reactions {
		if c.Reactions[i].Grave {
			return "grave reaction"
		}
	}
	if len(c.Reactions) > 0 || told != nil && told.ReactionSeen {
		return "reaction"
	}
	return ""
}

// DetailWords tells the details of a reaction in one line.
func (b *ReadView) DetailWords(d *ledger.ReactionDetail) string {
	parts := []string{wording.Enum(d.Kind)}
	add := func(text string, told bool) {
		if told {
			parts = append(parts, text)
		}
	}
	add(wording.Enum(d.Grade), d.Grade != 0)
	if d.OnsetMin != nil {
		add(fmt.Sprintf("first sign after %d min", *d.OnsetMin), true)
	}
	if d.OnsetMl != nil {
		add(fmt.Sprintf("with %d mL in", *d.OnsetMl), true)
	}
	add(d.Treatment, d.Treatment != "")
	add("checked by "+d.CheckedBy, d.CheckedBy != "")
	add(d.Course, d.Course != "")
	add("over at "+b.clockText(d.EndedMs), d.EndedMs != 0)
	return strings.Join(parts, ", ")
}

// RecheckUsual is when a recheck is due where nobody says another time: the practice's
// own hours after the last bag ended, or after now where none has. c may be nil.
func (b *ReadView) RecheckUsual(c *ledger.Case) (time.Time, error) {
	end := b.Now()
	if c != nil {
		for i := range c.Transfusions {
			if ms := c.Transfusions[i].LastMs(); ms != 0 {
				end = time.UnixMilli(ms)
			}
		}
	}
	hours, err := b.Setting(SettingRecheckHours)
	return end.Add(time.Duration(hours) * time.Hour), err
}
