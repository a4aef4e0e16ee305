package query

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// GetRecall is the dossier of a recall: which bags it is about, where they are, into whom
// they went and whom to call, which holds stood and who heard of them, and what was given
// after a hold, with whether that laptop could have known.
func (s Reader) GetRecall(ctx context.Context, req *pb.GetRecallRequest) (*pb.GetRecallResponse, error) {
	out := &pb.GetRecallResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Freshness = b.freshness()
		if err := event.Typed(req); err != nil {
			return err
		}
		r := &recall{b: b, out: out, batches: map[string]*recallBatch{}, records: map[event.Hash]int64{}}
		bags, err := r.find(req)
		if err != nil {
			return err
		}
		for _, id := range bags {
			if err := r.add(id); err != nil {
				return err
			}
		}
		return r.tell()
	})
	return out, err
}

// recall is a dossier while it is put together.
type recall struct {
	b       *ReadView
	out     *pb.GetRecallResponse
	batches map[string]*recallBatch // by BatchID
	records map[event.Hash]int64    // what it is made of, and when each happened
}

type recallBatch struct {
	row  *pb.RecallBatch
	bags []*ledger.Bag
}

// find lists the bags that a request is about.
func (r *recall) find(req *pb.GetRecallRequest) ([]string, error) {
	b := r.b
	switch {
	case req.Case != "":
		return r.findCase(req.Case)
	case req.Batch != "":
		id, err := b.batchID(req.Product, req.Batch)
		if err != nil {
			return nil, err
		}
		r.out.About = b.entityText(event.Key{Kind: event.KindBatch, ID: id})
		return b.bagsOfBatch(id)
	}
	fits, err := r.fits(req)
	if err != nil {
		return nil, err
	}
	var out []string
	err = b.EachLine(event.KindBag, func(raw []byte) (bool, error) {
		line, err := ledger.DecodeBagLine(raw)
		if err != nil {
			return false, err
		}
		ok, err := fits(line)
		if ok {
			out = append(out, line.ID)
		}
		r.out.Cut = len(out) == MaxRows
		return !r.out.Cut, err
	})
	return out, err
}

// bagsOfBatch are the bags that a batch's deliveries, finds and transfusions name.
func (b *ReadView) bagsOfBatch(id string) ([]string, error) {
	batch, err := Get[*ledger.Batch](b, event.KindBatch, id)
	if err != nil || batch == nil {
		return nil, cmp.Or(err, error(refusal.Conflict("batch", id, "a batch that is known here")))
	}
	return bagsOf(batch), nil
}

// findCase goes from a patient to the batches of what it was given, and to all their bags.
func (r *recall) findCase(text string) (out []string, err error) {
	id, err := r.b.Resolve("case", event.KindCase, text)
	if err != nil {
		return nil, err
	}
	r.out.About = r.b.entityText(event.Key{Kind: event.KindCase, ID: id})
	c, err := r.b.Case(id)
	if err != nil || c == nil {
		return nil, err
	}
	for _, t := range c.Transfusions {
		out = append(out, t.Bag)
		product, batch, err := r.b.batchNow(t.Bag, t.Product, t.Batch)
		if err != nil {
			return nil, err
		}
		if batch == "" {
			continue
		}
		more, err := r.b.bagsOfBatch(event.BatchID(product, batch))
		if err != nil {
			return nil, err
		}
		out = append(out, more...)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// fits is the question that a request asks of the line of each bag.
func (r *recall) fits(req *pb.GetRecallRequest) (func(*ledger.BagLine) (bool, error), error) {
	b := r.b
	of := func(about string, is func(*ledger.BagLabel) bool) (func(*ledger.BagLine) (bool, error), error) {
		r.out.About = about
		return func(l *ledger.BagLine) (bool, error) { return l.Label != nil && is(l.Label), nil }, nil
	}
	product, err := b.optional("product", event.KindProduct, req.Product)
	if err != nil {
		return nil, err
	}
	switch {
	case req.Donor != "":
		id, err := b.Resolve("donor", event.KindDonor, req.Donor)
		if err != nil {
			return nil, err
		}
		return of("donor "+b.Name(event.KindDonor, id), func(l *ledger.BagLabel) bool { return l.Donor == id })
	case req.Delivery != "":
		return of("delivery "+req.Delivery, func(l *ledger.BagLabel) bool { return l.Delivery == req.Delivery })
	case req.Serial != "":
		return of("serial "+req.Serial, func(l *ledger.BagLabel) bool { return l.Serial == req.Serial })
	case req.Warm != "":
		return r.warm(req.Warm)
	case req.ExpiryFrom != "" || req.ExpiryTo != "":
		from, to := cmp.Or(req.ExpiryFrom, req.ExpiryTo), cmp.Or(req.ExpiryTo, req.ExpiryFrom)
		in, err := b.days(from, to)
		if err != nil {
			return nil, err
		}
		return of("expiry "+from+" to "+to, func(l *ledger.BagLabel) bool {
			day, err := label.ParseDay("expiry", l.Expiry)
			return err == nil && (product == "" || l.Product == product) && in.has(day.LastInstant(b.zone).UnixMilli()-1)
		})
	case product != "":
		return of("product "+b.Name(event.KindProduct, product), func(l *ledger.BagLabel) bool { return l.Product == product })
	}
	return nil, refusal.New("batch", "", "what the recall is about: a product and batch, a product, donor, delivery, serial, expiry, warm spell or case")
}

// warm asks whether a bag lay in a place while that was warm.
func (r *recall) warm(text string) (func(*ledger.BagLine) (bool, error), error) {
	record, err := r.b.Record("warm", text)
	if err != nil {
		return nil, err
	}
	rec, err := r.b.r.Store.FindRecord(record)
	if err != nil {
		return nil, err
	}
	if m, err := rec.Payload(); err == nil {
		r.out.About = r.b.Tell(rec.Primary(), rec.Head.Type, m, rec.OccurredMs()).String()
	}
	return func(l *ledger.BagLine) (there bool, err error) {
		err = r.b.spells(l, r.b.ClinicNow(), func(w ledger.WarmSpan) { there = there || w.Stamp.Record == rec.Hash })
		return there, err
	}, nil
}

// add puts one bag into the dossier: its place or how it left, and into whom it went.
func (r *recall) add(id string) error {
	bag, err := r.b.Bag(id)
	if err != nil || bag == nil {
		return err
	}
	for _, e := range bag.Timeline {
		r.records[e.Record] = e.AtMs
	}
	r.batchOf(bag)
	row, err := r.bagRow(bag)
	if err != nil {
		return err
	}
	if len(bag.Moves) > 0 {
		r.out.Received++
		r.count(bag.Ended)
	}
	if bag.InStock() {
		r.out.BagsOut = append(r.out.BagsOut, row)
	} else {
		r.out.BagsGone = append(r.out.BagsGone, row)
	}
	return r.patients(bag)
}

// count counts a bag by how it left the stock, if it has.
func (r *recall) count(ended string) {
	n := map[string]*int32{
		"": &r.out.Out, ledger.EndGiven: &r.out.Given, ledger.EndLent: &r.out.Lent, ledger.EndLentBack: &r.out.LentBack, ledger.EndReturned: &r.out.Returned,
		ledger.EndKeptBack: &r.out.KeptBack, ledger.EndDiscarded: &r.out.Discarded, ledger.EndMissing: &r.out.Missing,
	}[ended]
	if n != nil {
		*n++
	}
}

// batchOf keeps the bag with its batch, as it is labelled now.
func (r *recall) batchOf(bag *ledger.Bag) {
	if bag.Label == nil || bag.Label.Batch == "" {
		return
	}
	id := event.BatchID(bag.Label.Product, bag.Label.Batch)
	if r.batches[id] == nil {
		r.batches[id] = &recallBatch{row: &pb.RecallBatch{Product: r.b.Name(event.KindProduct, bag.Label.Product), Batch: bag.Label.Batch}}
	}
	r.batches[id].row.Bags++
	r.batches[id].bags = append(r.batches[id].bags, bag)
}

func (r *recall) bagRow(bag *ledger.Bag) (*pb.RecallBag, error) {
	shown, err := r.b.bagRow(bag.Line(), r.b.ClinicNow())
	if err != nil {
		return nil, err
	}
	row := &pb.RecallBag{Bag: shown.Bag, Place: shown.Place, State: shown.State, Product: shown.Product, Batch: shown.Batch}
	if n := len(bag.Moves); n > 0 {
		last := bag.Moves[n-1].Stamp
		row.Who, row.At = r.b.Person(last.Author), r.b.Stamp(last.AtMs)
		if row.Telephone, err = r.b.TelephoneOf(last.Author); err != nil {
			return nil, err
		}
	}
	if n := len(bag.Pulled); n > 0 {
		row.PulledAt, row.PulledBy = r.b.Stamp(bag.Pulled[n-1].AtMs), r.b.Person(bag.Pulled[n-1].Author)
	}
	return row, nil
}

// patients adds a row for each patient that the bag went into. Cases that are one are
// one patient; the transfusion that began first tells when, and who.
func (r *recall) patients(bag *ledger.Bag) error {
	given, err := r.b.GivenOf(bag)
	if err != nil {
		return err
	}
	for _, g := range given {
		row := &pb.RecallPatient{Case: g.Case, Patient: r.b.PatientLine(g.Case), Bag: bag.Entity.ID, GivenMl: g.Ml}
		if bag.Label != nil {
			row.Product, row.Batch = r.b.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch
		}
		c, err := r.b.Case(g.Case)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(bag.Uses, func(u ledger.Use) bool { return u.Case == g.Case || c != nil && linkedTo(c, u.Case) })
		if i >= 0 {
			begun := startOf(&bag.Uses[i])
			row.At, row.Vet = r.b.Stamp(begun.AtMs), r.b.Person(begun.Author)
		}
		if c != nil {
			r.about(row, c)
		}
		r.out.Patients = append(r.out.Patients, row)
	}
	return nil
}

// startOf is the start of a use; its end where nobody told the start.
func startOf(u *ledger.Use) ledger.Stamp {
	if u.Start != nil {
		return *u.Start
	}
	return *u.End
}

// about adds what the case says: whom to call, and how the patient did.
func (r *recall) about(row *pb.RecallPatient, c *ledger.Case) {
	if c.Patient != nil {
		row.Yard = c.Patient.Yard
		row.Client, row.Telephone, _ = r.b.Client(c.Patient.Client)
	}
	row.Outcome = wording.Enum(c.Outcome())
	if slices.ContainsFunc(c.Reactions, func(x ledger.Reaction) bool { return x.Bag == row.Bag || x.Bag == "" }) {
		row.Reaction = ReactionWords(c)
	}
	if n := len(c.Calls); n > 0 {
		call := &c.Calls[n-1]
		row.CalledAt, row.CalledBy, row.Reached = r.b.Stamp(call.Stamp.AtMs), r.b.Person(call.Stamp.Author), call.Reached
	}
	for _, t := range c.Transfusions {
		for _, s := range t.Starts {
			if t.Bag == row.Bag {
				r.records[s.Record] = s.AtMs
			}
		}
	}
}

// tell adds what is asked of each batch as a whole, and sorts.
func (r *recall) tell() error {
	rights, err := r.b.Rights()
	if err != nil {
		return err
	}
	devices := r.b.devices(rights)
	for _, id := range slices.Sorted(maps.Keys(r.batches)) {
		if err := r.holds(id, devices); err != nil {
			return err
		}
		r.out.Batches = append(r.out.Batches, r.batches[id].row)
	}
	byWhen := func(x, y *pb.RecallPatient) int { return cmp.Or(cmp.Compare(x.At, y.At), cmp.Compare(x.Bag, y.Bag)) }
	slices.SortStableFunc(r.out.Patients, byWhen)
	slices.SortStableFunc(r.out.BagsOut, func(x, y *pb.RecallBag) int { return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(x.Bag, y.Bag)) })
	all := slices.SortedFunc(maps.Keys(r.records), func(x, y event.Hash) int {
		return cmp.Or(cmp.Compare(r.records[x], r.records[y]), cmp.Compare(x.String(), y.String()))
	})
	for _, h := range all[:min(len(all), MaxRows)] {
		r.out.Records = append(r.out.Records, h.String())
	}
	r.out.Cut = r.out.Cut || len(all) > MaxRows
	return nil
}

// holds tells the holds of a batch, who heard of them, and what was given after them.
func (r *recall) holds(id string, devices []*pb.DeviceRow) error {
	of := r.batches[id]
	batch, err := r.b.withStarts(id, of.bags)
	if err != nil || batch == nil {
		return err
	}
	of.row.Held = len(batch.Standing()) > 0
	for _, e := range batch.Timeline {
		r.records[e.Record] = e.AtMs
	}
	for _, h := range batch.Holds {
		shown := r.b.holdRow(h, batch.Heard)
		of.row.Telephone = cmp.Or(shown.SupportTelephone, of.row.Telephone)
		row := &pb.RecallHold{
			Record: shown.Record, Kind: shown.Kind, Product: of.row.Product, Batch: of.row.Batch, Reason: shown.Reason, Who: shown.Who, ToldAt: shown.At, Heard: shown.Heard,
		}
		if rec, err := r.b.r.Store.FindRecord(h.Stamp.Record.String()); err == nil {
			row.WrittenAt = r.b.Stamp(rec.Head.WallUs / 1000)
		}
		if n := len(h.Released); n > 0 {
			row.ReleasedAt = r.b.Stamp(h.Released[n-1].Stamp.AtMs)
		}
		for _, d := range devices {
			if !d.ShutOut && !heardBy(r.b, h, batch.Heard, d.Name) {
				row.NotHeard = append(row.NotHeard, d.Name)
			}
		}
		r.out.Holds = append(r.out.Holds, row)
	}
	for _, start := range batch.Starts {
		r.after(start)
	}
	return nil
}

// heardBy says that a laptop placed a hold, or heard of it.
func heardBy(b *ReadView, h ledger.Hold, heard []ledger.Heard, device string) bool {
	return b.deviceOf(h.Log) == device || slices.ContainsFunc(heard, func(x ledger.Heard) bool {
		return x.Hold == h.Stamp.Record && b.deviceOf(x.Log) == device
	})
}

// after marks what a patient was given after a hold: of several, the one that had reached
// the laptop.
func (r *recall) after(start ledger.BatchStart) {
	for _, a := range start.After {
		for _, row := range r.out.Patients {
			if row.Bag == start.Bag && (row.Case == start.Case || row.At == r.b.Stamp(start.Stamp.AtMs)) && row.AfterHold != ledger.HoldReached {
				row.AfterHold = a.Reached
			}
		}
	}
}

// withStarts is a batch with every start of its bags, those too that were entered as of
// another batch before the delivery was corrected: whether a hold stood when such a bag
// was hung is asked of the batch that it is of.
func (b *ReadView) withStarts(id string, bags []*ledger.Bag) (*ledger.Batch, error) {
	batch, err := Get[*ledger.Batch](b, event.KindBatch, id)
	if err != nil || batch == nil || len(batch.Holds) == 0 {
		return batch, err
	}
	var more []ledger.Input
	for _, bag := range bags {
		for _, u := range bag.Uses {
			told := u.Start != nil && slices.ContainsFunc(batch.Starts, func(s ledger.BatchStart) bool { return s.Stamp.Record == u.Start.Record })
			if u.Start == nil || told {
				continue
			}
			in, err := b.startIn(batch, *u.Start)
			if err != nil {
				return nil, err
			}
			if in != nil {
				more = append(more, *in)
			}
		}
	}
	if len(more) == 0 {
		return batch, nil
	}
	inputs, err := b.inputs(batch.Entity)
	if err != nil {
		return nil, err
	}
	full, _ := ledger.Fold(batch.Entity, append(inputs, more...)).(*ledger.Batch)
	return full, nil
}

// startIn is the start of a bag told as of another batch; nil for a record that is no
// start, such as that of a code.
func (b *ReadView) startIn(batch *ledger.Batch, at ledger.Stamp) (*ledger.Input, error) {
	rec, err := b.r.Store.FindRecord(at.Record.String())
	if err != nil {
		return nil, err
	}
	body, err := rec.Payload()
	start, ok := body.(*pb.TransfusionStarted)
	if err != nil || !ok {
		return nil, nil
	}
	start = proto.Clone(start).(*pb.TransfusionStarted)
	start.Product, start.Batch = batch.Product, batch.Code
	if at.AtMs != rec.OccurredMs() { // its time was corrected
		moved := *rec
		moved.Head = proto.Clone(rec.Head).(*pb.Header)
		moved.Head.OccurredAt.UnixMs, moved.Head.OccurredAt.Source = at.AtMs, pb.TimeSource_TIME_SOURCE_TYPED
		rec = &moved
	}
	return &ledger.Input{Rec: rec, Payload: start, Entitled: true}, nil
}

// inputs are the records of an entity as its fold takes them.
func (b *ReadView) inputs(k event.Key) (out []ledger.Input, err error) {
	rights, err := b.Rights()
	if err != nil {
		return nil, err
	}
	err = b.Records(k, func(r *event.Record) error {
		standing := rights.Standing(r)
		if !standing.In {
			return nil
		}
		in := ledger.Input{Rec: r, Entitled: standing.Entitled}
		if m, err := r.Payload(); err == nil {
			in.Payload = m
		}
		out = append(out, in)
		return nil
	})
	return out, err
}
