package demo

import (
	"fmt"
	"strings"

	pb "thawtrail/proto/thawtrail/v1"
)

// morning lets the wires through again and measures until all three replicas
// say the same.
func (n *night) morning() {
	n.screen.heading(n.ctx, "All three", "the signal is back")
	digests, records := n.digests()
	if n.err != nil {
		return
	}
	for i, s := range n.sites() {
		n.screen.row(s.name, fmt.Sprintf("%d records, digest %s…", records[i], digests[i][:16]))
	}
	began := n.cfg.Clock.Monotonic()
	n.north.wire.Restore()
	n.south.wire.Restore()
	n.until("both laptops try again", func() bool { return n.north.wire.Passed() > 0 && n.south.wire.Passed() > 0 })
	back := n.cfg.Clock.Monotonic() - began
	n.until("all three digests are equal", n.agreed)
	merged := n.cfg.Clock.Monotonic() - began
	if n.err != nil {
		return
	}
	n.sum.MergeMs = merged.Milliseconds()
	n.screen.tell(fmt.Sprintf("The wires are whole again. Both laptops tried again within %d ms, and after %d ms all three said the same.",
		back.Milliseconds(), n.sum.MergeMs))
	n.screen.tell(fmt.Sprintf("Tries in vain while the wires were cut: %d.", n.north.wire.Refused()+n.south.wire.Refused()))
}

// digests asks all three.
func (n *night) digests() (digests []string, records []int64) {
	for _, s := range n.sites() {
		d := ask(n, s, s.audit.GetDigest, &pb.GetDigestRequest{})
		digests, records = append(digests, d.GetDigest()), append(records, d.GetRecords())
	}
	return digests, records
}

// agreed says that all three hold the same records and tell the same story.
func (n *night) agreed() bool { return n.agree(n.digests()) }

func (n *night) agree(digests []string, records []int64) bool {
	for i := range digests {
		if digests[i] != digests[0] || records[i] != records[0] {
			return false
		}
	}
	return n.err == nil
}

// same asks all three until they agree: the clinic's server may say at any moment, in a
// record of its own, what it holds.
func (n *night) same() (digests []string, records []int64) {
	n.until("all three say the same in the end", func() bool {
		digests, records = n.digests()
		return n.agree(digests, records)
	})
	return digests, records
}

// settle waits until all three agree and the clinic's server has confirmed every
// record of both laptops.
func (n *night) settle() {
	n.until("all is held on the clinic's server", func() bool {
		for _, s := range []*site{n.north, n.south} {
			st := ask(n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
			if st.GetSavedHere()+st.GetSent() > 0 {
				return false
			}
		}
		return n.agreed()
	})
}

// joined shows what each side knows now, and the clinic says that two cases are
// one foal.
func (n *night) joined() {
	n.screen.heading(n.ctx, "All three", "what came together")
	n.settle()
	n.stand(n.north, now)
	n.stand(n.south, now)
	for _, b := range ask(n, n.clinic, n.clinic.stock.ListBatches, &pb.ListBatchesRequest{Held: true}).GetBatches() {
		for _, h := range b.Holds {
			var names []string
			for _, x := range h.Heard {
				names = append(names, x.Device)
			}
			n.say(step{n.clinic, "server", now, "the hold on " + b.Batch + " has been heard by: " + strings.Join(names, ", ")})
		}
	}
	n.doubts()
	f := &n.northFoal
	n.write(step{n.clinic, clinician, now, "sees two cases on one dam and says that they are one foal"}, &pb.Entry{Body: &pb.Entry_Linked{
		Linked: &pb.Linked{Kind: "case", First: f.id, Second: f.helper, Reason: "same foal: J. Reed's laptop was down"},
	}})
	n.settle()
}

// doubts lists what does not fit, and gives it.
func (n *night) doubts() []*pb.DiscrepancyRow {
	open := ask(n, n.clinic, n.clinic.audit.ListDiscrepancies, &pb.ListDiscrepanciesRequest{Open: true}).GetDiscrepancies()
	for _, d := range open {
		n.say(step{n.clinic, "server", now, "discrepancy: " + strings.ReplaceAll(d.Kind, "_", " ") + ", " + d.Entity + holdWords[d.HoldReached]})
	}
	return open
}

// books prints what the clinic has in the end, with the program's own commands,
// and counts.
func (n *night) books() {
	for _, c := range []struct {
		title string
		words []string
	}{
		{"stock by place", []string{"stock"}},
		{"the south foal", []string{"case", n.southFoal.id}},
		{"the north foal", []string{"case", n.northFoal.id}},
		{"discrepancies", []string{"discrepancies", "--open"}},
	} {
		if n.err != nil {
			return
		}
		n.screen.heading(n.ctx, "Clinic", c.title)
		n.screen.raw("$ thawtrail " + strings.Join(c.words, " ") + "\n\n")
		out, err := n.clinic.command(n.ctx, n.cfg.Program, c.words...)
		n.fail(err)
		n.screen.raw(withoutStory(out))
	}
	n.count()
}

// withoutStory leaves out the long list at the end of a case sheet: the night has
// just told it.
func withoutStory(sheet string) string {
	const title = "\nWhat was done\n"
	if head, story, found := strings.Cut(sheet, title); found {
		return fmt.Sprintf("%s\n(and %d lines more: what was done, when, where and by whom)\n", head, strings.Count(story, "\n"))
	}
	return sheet
}

// count fills in the summary: every acknowledged entry is looked up on all three.
func (n *night) count() {
	n.screen.heading(n.ctx, "All three", "the count")
	lost := map[string]bool{}
	for _, a := range n.acks {
		for _, s := range n.sites() {
			if n.err != nil {
				return
			}
			held, err := s.holds(n.ctx, a.hash)
			n.fail(err)
			if !held {
				lost[a.hash] = true
			}
		}
	}
	open := n.doubts()
	digests, records := n.same()
	if n.err != nil {
		return
	}
	n.sum.Digests, n.sum.Records, n.sum.Acknowledged, n.sum.Lost = digests, records[0], len(n.acks), len(lost)
	for _, d := range open {
		n.sum.Discrepancies = append(n.sum.Discrepancies, Discrepancy{Kind: d.Kind, Entity: d.Entity, HoldReached: d.HoldReached})
	}
	n.screen.gap()
	n.screen.tell("Digests:")
	for i, s := range n.sites() {
		n.screen.row(s.name, digests[i])
	}
	n.screen.gap()
	n.screen.tell(fmt.Sprintf("%d records on each. %d entries were acknowledged as saved; each was looked up on all three: %d lost.",
		n.sum.Records, n.sum.Acknowledged, n.sum.Lost))
}

// holdWords tell whether the hold had come through when the bag was hung.
var holdWords = map[string]string{
	"reached":     "; the hold had reached that laptop",
	"not_reached": "; the hold had not reached that laptop",
	"unknown":     "; whether the hold had reached that laptop is unknown",
}
