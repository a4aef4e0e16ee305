package demo

import (
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// south1 is a whole treatment out of reach, stopped on a mild reaction; and the
// count of a freezer that finds a bag nobody had put there.
func (n *night) south1() {
	n.screen.heading(n.ctx, "South vehicle", "a foal at Ridge Farm, out of reach")
	n.southFoal = foal{
		at: n.south, vet: southVet, begins: southAt, born: southAt - 19*60,
		dam: "Morning Tide", colour: "chestnut", marks: "blaze, off hind sock", box: "2", yard: "Ridge Farm", sex: pb.Sex_SEX_COLT,
		weightG: 47500, method: pb.WeightMethod_WEIGHT_METHOD_TAPE, lowG: proto.Int32(43000), highG: proto.Int32(52000),
		iggCgPerL: 520, donorIggCgPerL: 2100, heart: 104, breaths: 38, temperatureDc: 383,
	}
	f := &n.southFoal
	n.meet(f)
	n.decide(f)
	n.thaw(f)
	n.warm(f)
	n.hang(f)
	n.begin(f)
	n.react(f, f.begins+minStart+35)
	n.stray()
}

// react stops the bag on hives; the bag and its set are kept back.
func (n *night) react(f *foal, when int) {
	const given = 210
	by := func(minute int, text string) step { return step{f.at, f.vet, when + minute, text} }
	n.write(by(0, "CLAMP SHUT: hives on neck and flank"), &pb.Entry{Body: &pb.Entry_Clamped{
		Clamped: &pb.FlowChanged{Case: f.id, Reason: "hives", GivenMl: proto.Int32(given)},
	}})
	n.write(by(0, "notes the reaction: mild, breathing easy"), &pb.Entry{Body: &pb.Entry_ReactionNoted{
		ReactionNoted: &pb.ReactionNoted{Case: f.id, Signs: []string{"hives"}},
	}})
	n.write(by(4, fmt.Sprintf("stops this bag at %d mL; no second bag tonight", given)), &pb.Entry{Body: &pb.Entry_Stopped{
		Stopped: &pb.TransfusionEnded{Case: f.id, Bag: f.bag, GivenMl: given, Reason: "hives"},
	}})
	n.write(by(6, "keeps bag and set back for the laboratory"), &pb.Entry{Body: &pb.Entry_BagKeptBack{
		BagKeptBack: &pb.BagKeptBack{Bag: f.bag, Reason: "mild reaction: hives", Place: "clinic fridge"},
	}})
	n.vitals(f, when+10, given, 3, false)
	n.afterwards(f, when+12)
}

// stray counts the south freezer: a bag lies there that the books have in the
// clinic's freezer.
func (n *night) stray() {
	if n.err != nil {
		return
	}
	seen := []string{n.bags[otherBatch][5]}
	for _, id := range n.some(otherBatch, 1, 3) {
		if id != n.southFoal.bag {
			seen = append(seen, id)
		}
	}
	n.write(step{n.south, assistant, -190, "counts the south freezer and sees " + bagText(seen[0]) + " too, which is booked in the clinic"},
		&pb.Entry{Body: &pb.Entry_PlaceCounted{PlaceCounted: &pb.PlaceCounted{Place: n.south.place, BagsSeen: seen}}})
}

// north1 opens the second case and puts a bag into the bath.
func (n *night) north1() {
	n.screen.heading(n.ctx, "North vehicle", "a foal at Willow Bend, out of reach")
	n.northFoal = foal{
		at: n.north, vet: northVet, begins: northAt, born: northAt - 18*60,
		dam: "Quiet Harbour", colour: "bay", marks: "star", box: "4", yard: "Willow Bend", sex: pb.Sex_SEX_FILLY,
		weightG: 52000, method: pb.WeightMethod_WEIGHT_METHOD_SCALE,
		iggCgPerL: 540, donorIggCgPerL: 2000, heart: 98, breaths: 34, temperatureDc: 384,
	}
	f := &n.northFoal
	n.meet(f)
	n.decide(f)
	n.thaw(f)
}

// hold is the maker's call to the clinic while that batch is in the north bath.
func (n *night) hold() {
	n.screen.heading(n.ctx, "Clinic", "the maker calls")
	n.write(step{n.clinic, clinician, holdAt, "puts batch " + heldBatch + " ON HOLD: the maker has two reports of shivering"},
		&pb.Entry{Body: &pb.Entry_BatchHeld{BatchHeld: &pb.BatchHeld{
			Product: veinProduct, Batch: heldBatch, Reason: "maker called: two reports of shivering", MakerReference: "WB-118",
		}}})
	held := ask(n, n.clinic, n.clinic.stock.ListBatches, &pb.ListBatchesRequest{Held: true})
	for _, b := range held.GetBatches() {
		for _, h := range b.Holds {
			n.screen.note(fmt.Sprintf("%s stands; telephone %s; heard on %d of 3 machines", h.Kind, h.SupportTelephone, len(h.Heard)))
		}
	}
	n.stand(n.north, holdAt)
	n.stand(n.south, holdAt)
}

// north2 hangs the bag that is on hold by now, which nobody there can know.
func (n *night) north2() {
	n.screen.heading(n.ctx, "North vehicle", "the bag is hung; the hold has not come through")
	f := &n.northFoal
	n.warm(f)
	n.hang(f)
	n.begin(f)
	start := f.begins + minStart
	for i, m := range []int{35, 50, 65, 80} {
		n.vitals(f, start+m, n.inBag(f, m), int32(i)%2, false)
	}
}

// inBag is what is in after so many minutes.
func (n *night) inBag(f *foal, minutes int) int32 {
	return (f.slowMl*slowMin + f.plateauMl*int32(minutes-slowMin)) / 60
}

// powerCut kills the north laptop in mid-transfusion. The second vet, who has
// come to help, writes it down on hers; then the first laptop starts again.
func (n *night) powerCut() {
	n.screen.heading(n.ctx, "North vehicle", "the laptop dies in mid-transfusion")
	f := &n.northFoal
	before := ask(n, n.north, n.north.audit.GetStatus, &pb.GetStatusRequest{}).GetRecords()
	n.running("the sheet runs", before)
	if n.err != nil {
		return
	}
	n.north.proc.kill()
	n.say(step{n.north, "laptop", now, "its process is killed: no warning, no goodbye (SIGKILL)"})
	switch _, err := n.north.audit.GetStatus(n.ctx, &pb.GetStatusRequest{}); status.Code(err) {
	case codes.Unavailable:
	case codes.DeadlineExceeded: // nobody is there, and not every system says so at once
	default:
		n.fail(fmt.Errorf("the killed laptop still answers: %v", err))
	}
	n.help(f)
	if n.err == nil {
		n.fail(n.north.open(n.ctx, n.cfg.Program, n.dir))
	}
	after := ask(n, n.north, n.north.audit.GetStatus, &pb.GetStatusRequest{}).GetRecords()
	n.running("started again from its disk", after)
	if n.err == nil && after < before {
		n.fail(fmt.Errorf("the north laptop had %d records and has %d after it was killed", before, after))
	}
	n.lookUp(n.north)
	n.finish(f)
}

// running shows the sheet of the north foal as the laptop has it.
func (n *night) running(text string, records int64) {
	f := &n.northFoal
	sheet := ask(n, n.north, n.north.cases.GetCase, &pb.GetCaseRequest{Case: f.id})
	if n.err != nil {
		return
	}
	if len(sheet.Transfusions) != 1 || !sheet.Transfusions[0].Running {
		n.fail(fmt.Errorf("one running transfusion expected on the sheet of case %s", f.id))
		return
	}
	t := sheet.Transfusions[0]
	if want := int32(n.cfg.Clock.Now().Sub(n.at(f.begins + minStart)).Minutes()); t.ElapsedMin > want || t.ElapsedMin < want-1 {
		n.fail(fmt.Errorf("%d min since the start expected on the sheet, got %d", want, t.ElapsedMin))
		return
	}
	n.say(step{n.north, "laptop", now, fmt.Sprintf("%s: %s runs, %d min since the start, %d mL/h; %d looks noted; %d records",
		text, t.Bag, t.ElapsedMin, t.RateMlPerH, len(sheet.Vitals), records)})
}

// help is the second vet's own case on the same foal, and the same bag.
func (n *night) help(f *foal) {
	by := func(when int, text string) step { return step{n.south, southVet, when, text} }
	helper := n.only(n.write(by(-6, "has come to help and opens a case of her own for "+f.dam+"'s filly"), &pb.Entry{Body: &pb.Entry_CaseOpened{
		CaseOpened: &pb.CaseOpened{
			Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: f.dam, Sex: f.sex, Colour: f.colour, Markings: f.marks, Box: f.box,
			Yard: f.yard, BornAt: n.typed(f.born), ClockChecked: true,
		},
	}}))
	start := f.begins + minStart
	n.say(by(now, "enters the start of "+bagText(f.bag)+" as she was told it: "+n.at(start).In(n.screen.zone).Format("15:04")))
	n.write(by(start, ""), n.started(helper, f.bag))
	n.write(by(now, "enters its end: 940 mL in"), n.finished(helper, f.bag, 940))
	n.northFoal.helper = helper
}

func (n *night) finished(id, bag string, ml int32) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_Finished{Finished: &pb.TransfusionEnded{Case: id, Bag: bag, GivenMl: ml}}}
}

// lookUp asks a site for every entry that it had acknowledged.
func (n *night) lookUp(s *site) {
	asked, found := 0, 0
	for _, a := range n.acks {
		if a.at != s || n.err != nil {
			continue
		}
		held, err := s.holds(n.ctx, a.hash)
		n.fail(err)
		asked++
		if held {
			found++
		}
	}
	if n.err == nil && found < asked {
		n.fail(fmt.Errorf("%s has lost %d of %d acknowledged entries", s.name, asked-found, asked))
	}
	if n.err == nil {
		n.screen.note(fmt.Sprintf("of %d entries it had said are saved, %d are there", asked, found))
	}
}

// finish ends the bag on the laptop that began it.
func (n *night) finish(f *foal) {
	n.vitals(f, now, 935, 1, false)
	n.write(step{f.at, f.vet, now, "bag finished: 940 mL"}, n.finished(f.id, f.bag, 940))
	n.afterwards(f, now)
}
