package query

import (
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// timeline is an entity's story, in the order in which it happened.
func (b *ReadView) timeline(k event.Key, entries []ledger.Entry) []*pb.TimelineRow {
	return b.story(k, entries, k)
}

// story tells entries about an entity, which the records of some entities made. What was
// corrected is one line: what stands, with what was put right.
func (b *ReadView) story(k event.Key, entries []ledger.Entry, of ...event.Key) []*pb.TimelineRow {
	entries = entries[max(0, len(entries)-MaxRows):]
	var out []*pb.TimelineRow
	came := map[event.Hash]exchange.Delivery{}
	all := b.payloads(of, func(r *event.Record) { came[r.Hash] = b.r.Link.StateOf(r) })
	fixes := fixesAmong(entries, all)
	for _, e := range entries {
		if _, is := fixes[e.Record]; is {
			continue
		}
		tale := b.said(k, e, all)
		row := &pb.TimelineRow{
			At: b.Stamp(e.AtMs), What: tale.String(), Wrong: tale.Wrong, Who: b.Person(e.Author), Where: b.deviceOf(e.Log),
			Record: e.Record.String(), Marks: wording.RecordMarks(e.Marks), Correctable: event.Correctable(e.Type), Saved: SavedState(came[e.Record]), Event: event.Name(e.Type),
		}
		if fix, ok := fixes[e.By]; ok {
			b.corrected(k, row, fix, all)
			row.Saved = SavedState(min(came[e.Record], came[fix.Record])) // what stands has come as far as both
		}
		out = append(out, row)
	}
	return out
}

// fixesAmong are the corrections of a story that are told with what they correct: all
// but those of which the original is not there, or that their author could not make.
func fixesAmong(entries []ledger.Entry, all map[event.Hash]proto.Message) map[event.Hash]ledger.Entry {
	there := make(map[string]bool, len(entries))
	for _, e := range entries {
		there[e.Record.String()] = true
	}
	out := map[event.Hash]ledger.Entry{}
	for _, e := range entries {
		if c, ok := all[e.Record].(*pb.Corrected); ok && there[c.Original] && !e.Marks.Has(ledger.MarkNotEntitled) {
			out[e.Record] = e
		}
	}
	return out
}

// RanAt is the bag that ran in a case at a moment; empty when none did.
func RanAt(c *ledger.Case, ms int64) string {
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.FirstMs() <= ms && (t.LastMs() == 0 || ms <= t.LastMs()) {
			return t.Bag
		}
	}
	return ""
}

func (b *ReadView) discrepancies(s ledger.State) []*pb.DiscrepancyRow {
	return b.discrepanciesIn(s, span{until: endOfTime})
}

// discrepanciesIn are those about what happened in a span.
func (b *ReadView) discrepanciesIn(s ledger.State, in span) []*pb.DiscrepancyRow {
	var out []*pb.DiscrepancyRow
	for _, d := range s.Discrepancies() {
		if !in.has(d.OccurredMs) {
			continue
		}
		row := &pb.DiscrepancyRow{
			Kind: d.Kind, Entity: b.entityText(d.Entity), Text: d.Text, At: b.Stamp(d.OccurredMs),
			Open: d.Open, HoldReached: d.HoldReached,
		}
		for _, h := range d.Records {
			row.Records = append(row.Records, h.String())
		}
		for _, e := range d.Explanations {
			who := b.Person(e.Stamp.Author)
			if e.Stamp.Marks.Has(ledger.MarkNoProof) {
				who += " (" + wording.NoProof + ")"
			}
			row.Explanations = append(row.Explanations, who+": "+e.Text)
		}
		out = append(out, row)
	}
	return out
}

// entityText names an entity for people: kind and number or name.
func (b *ReadView) entityText(k event.Key) string {
	switch k.Kind {
	case event.KindBatch:
		product, code, _ := strings.Cut(k.ID, "/")
		return say.Text("named.batch", b.Name(event.KindProduct, product), code)
	case event.KindCase:
		return say.Text("named.case", k.ID, b.PatientLine(k.ID))
	case event.KindLog:
		if id, ok := event.ParseHash(k.ID); ok {
			return say.Text("named.log", b.deviceOf(id))
		}
	}
	return k.Kind + " " + b.Name(k.Kind, k.ID)
}

// ListDiscrepancies lists what does not fit, the newest first, and counts what is
// open by kind.
func (s Reader) ListDiscrepancies(ctx context.Context, req *pb.ListDiscrepanciesRequest) (*pb.ListDiscrepanciesResponse, error) {
	out := &pb.ListDiscrepanciesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Freshness = b.freshness()
		if err := event.Typed(req); err != nil {
			return err
		}
		var err error
		if out.OpenKinds, err = b.openDoubts(); err != nil {
			return err
		}
		term := ledger.TermDoubt
		switch {
		case req.Open && req.Kind != "":
			term = ledger.TermOpenDoubtOf(req.Kind)
		case req.Open:
			term = ledger.TermOpenDoubt
		}
		in, err := b.spanOf(req.From, req.To)
		if err != nil {
			return err
		}
		out.Next, err = b.listed(req, []string{term}, func(f store.Found) error {
			st, err := b.State(f.Key)
			if err != nil || st == nil {
				return err
			}
			rows := slices.DeleteFunc(b.discrepanciesIn(st, in), func(row *pb.DiscrepancyRow) bool {
				return req.Open && !row.Open || req.Kind != "" && row.Kind != req.Kind
			})
			out.Discrepancies = append(out.Discrepancies, rows...)
			return orNotAsked(rows)
		})
		return err
	})
	slices.SortStableFunc(out.Discrepancies, func(x, y *pb.DiscrepancyRow) int { return cmp.Compare(y.At, x.At) })
	return out, err
}

// OpenDoubts counts open discrepancies by kind; a kind without one stands at 0.
func (s Reader) OpenDoubts(ctx context.Context) (n map[string]int32, err error) {
	err = s.View(ctx, func(b *ReadView) error {
		n, err = b.countDoubts()
		return err
	})
	for _, kind := range ledger.Kinds() {
		if n != nil {
			n[kind] += 0
		}
	}
	return n, err
}

// countDoubts counts open discrepancies by kind.
func (b *ReadView) countDoubts() (map[string]int32, error) {
	n := map[string]int32{}
	err := b.FindAll(ledger.TermOpenDoubtOf(""), func(f store.Found) (bool, error) {
		kind, _, _ := strings.Cut(strings.TrimPrefix(f.Term, ledger.TermOpenDoubtOf("")), "@")
		n[kind]++
		return true, nil
	})
	return n, err
}

// openDoubts counts open discrepancies by kind, the most frequent first.
func (b *ReadView) openDoubts() ([]*pb.KindCount, error) {
	n, err := b.countDoubts()
	var out []*pb.KindCount
	for kind, count := range n {
		out = append(out, &pb.KindCount{Kind: kind, Count: count})
	}
	slices.SortFunc(out, func(x, y *pb.KindCount) int {
		return cmp.Or(cmp.Compare(y.Count, x.Count), cmp.Compare(x.Kind, y.Kind))
	})
	return out, err
}

// GetDigest is a hash over the folded state, with what is held of every log.
func (s Reader) GetDigest(ctx context.Context, _ *pb.GetDigestRequest) (*pb.GetDigestResponse, error) {
	out := &pb.GetDigestResponse{FoldVersion: ledger.FoldVersion}
	err := s.View(ctx, func(b *ReadView) error {
		d, err := b.Digest()
		out.Digest = d.String()
		return err
	})
	out.Records = s.Store.Records()
	for _, l := range s.Store.Logs() {
		head := l.Head()
		out.Heads = append(out.Heads, &pb.Head{
			Log: l.ID.String(), Device: hex.EncodeToString(l.Device()), Lane: laneWord(l.Lane), Seq: head.Seq, Hash: head.Hash.String(),
		})
	}
	return out, err
}

func laneWord(l pb.Lane) string { return wording.Code(l) }

// GetStatus tells how far this replica's own records have come, and what was
// found and mended.
func (s Reader) GetStatus(ctx context.Context, _ *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	out := &pb.GetStatusResponse{
		Device: hex.EncodeToString(s.Store.Device()), DeviceName: s.Name, Hub: s.Hub, Records: s.Store.Records(),
		Server: s.Link.Server(), Link: s.Link.State(), Differences: s.Link.Differences(), Repairs: s.Store.Repairs(),
		SetAside: s.Link.Quarantined(),
	}
	if s.Found != nil {
		out.Differences = append(out.Differences, s.Found()...)
	}
	var unread error
	if out.SavedHere, out.Sent, out.HeldOnServer, unread = s.Delivered(); unread != nil {
		out.Parts = append(out.Parts, &pb.PartRow{Part: "own records", Problem: unread.Error()})
	}
	if left, short := s.Store.Room(); short {
		out.RoomLeftBytes = proto.Int64(int64(min(left, math.MaxInt64)))
	}
	if err := s.Store.Trouble(); err != nil {
		out.Parts = append(out.Parts, &pb.PartRow{Part: "index on the disk", Problem: err.Error()})
	}
	if err := s.Store.Unwritten(); err != nil {
		out.Parts = append(out.Parts, &pb.PartRow{Part: "journal", Problem: err.Error()})
	}
	for _, d := range s.Parts.Down() {
		out.Parts = append(out.Parts, &pb.PartRow{Part: d.Part, Problem: d.Problem, Since: d.Since.UTC().Format(time.RFC3339), Failures: d.Failures})
	}
	err := s.View(ctx, func(b *ReadView) error {
		out.Freshness = b.freshness()
		out.ClockOffsetMs, out.ClockBoundMs = b.clock.GetOffsetUs()/1000, b.clock.GetBoundUs()/1000
		out.Cautions = wording.Cautions(b.ClockCautions())
		if b.practice != nil {
			out.Practice, out.Zone = b.practice.Name, b.zone.String()
		}
		return nil
	})
	return out, err
}

// SavedState is how far a record has come, in the words of the contract.
func SavedState(d exchange.Delivery) pb.SavedState {
	return [...]pb.SavedState{
		exchange.SavedHere: pb.SavedState_SAVED_STATE_SAVED_HERE, exchange.Sent: pb.SavedState_SAVED_STATE_SENT,
		exchange.HeldOnServer: pb.SavedState_SAVED_STATE_HELD_ON_SERVER,
	}[d]
}

// GetRecord shows one record in full.
func (s Reader) GetRecord(ctx context.Context, req *pb.GetRecordRequest) (*pb.GetRecordResponse, error) {
	out := &pb.GetRecordResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		hash, err := b.Record("record", req.Record)
		if err != nil {
			return err
		}
		r, err := s.FindRecord("record", hash)
		if _, absent := refusal.As(err); absent {
			return refusal.Fail(refusal.ErrNotFound, "no record %s is held here", refusal.Shorten(req.Record))
		}
		if err != nil {
			return err
		}
		b.fullRecord(out, r)
		if !out.Correctable {
			return nil
		}
		return b.correctedRecord(out, r)
	})
	return out, err
}

func (b *ReadView) fullRecord(out *pb.GetRecordResponse, r *event.Record) {
	h := r.Head
	out.Record, out.Type, out.At = r.Hash.String(), wording.EventType(h.Type), b.Stamp(r.OccurredMs())
	out.WrittenAt, out.Who, out.Device = b.At(time.UnixMicro(h.WallUs)), b.Person(h.Author), b.deviceOf(r.Log)
	out.Log, out.Seq, out.Saved = r.Log.String(), h.Seq, SavedState(b.r.Link.StateOf(r))
	out.Proof = h.AuthorProof.GetKind()
	if us := h.AuthorProof.GetProvenUs(); us != 0 {
		out.ProvenAt = b.At(time.UnixMicro(us))
	}
	if at := h.AuthorProof.GetOrderedAt(); len(at) > 0 {
		out.OrderedAt = b.LaptopName(at)
	}
	for _, k := range r.Touches() {
		out.Entities = append(out.Entities, k.String())
	}
	out.Correctable = event.Correctable(h.Type)
	if m, err := r.Payload(); err == nil {
		if e, err := event.Wrap(h.Type, m); err == nil {
			out.Entry = b.opened(e)
		}
	}
}

// correctedRecord adds what was corrected of a record, and what stands.
func (b *ReadView) correctedRecord(out *pb.GetRecordResponse, r *event.Record) error {
	stands, err := b.Standing(r)
	if err != nil || len(stands.Fixes) == 0 {
		return err
	}
	out.StandsAt, out.Voided = b.Stamp(stands.AtMs), stands.Voided
	if e, err := event.Wrap(stands.Type, stands.Body); err == nil && !stands.Voided {
		out.Stands = b.opened(e)
	}
	m, err := r.Payload()
	if err != nil {
		return err
	}
	before := told{b.Tell(r.Primary(), r.Head.Type, m, r.OccurredMs()).String(), r.Head.Author}
	for _, f := range stands.Fixes {
		row := b.correctionRow(r.Primary(), f, before)
		before.words = cmp.Or(row.After, before.words)
		out.Corrections = append(out.Corrections, row)
	}
	slices.Reverse(out.Corrections)
	return nil
}

// ListPeople lists people with their roles, and laptops with when the clinic
// last heard of each.
func (s Reader) ListPeople(ctx context.Context, _ *pb.ListPeopleRequest) (*pb.ListPeopleResponse, error) {
	out := &pb.ListPeopleResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		rights, err := b.Rights()
		if err != nil {
			return err
		}
		err = b.Each(event.KindPerson, func(st ledger.State) (bool, error) {
			row := personRow(st.(*ledger.Person), rights)
			row.Telephone = b.open(st, "telephone", st.(*ledger.Person).Telephone)
			out.People = append(out.People, row)
			return len(out.People) < MaxRows, nil
		})
		out.Devices = b.devices(rights)
		return err
	})
	return out, err
}

// GetPerson tells what stands of one person, and what was entered of it.
func (s Reader) GetPerson(ctx context.Context, req *pb.GetPersonRequest) (*pb.GetPersonResponse, error) {
	out := &pb.GetPersonResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve("person", event.KindPerson, req.Person)
		if err != nil {
			return err
		}
		p, err := Get[*ledger.Person](b, event.KindPerson, id)
		if err != nil {
			return err
		}
		if p == nil {
			return refusal.Conflict("person", req.Person, "a person who is named here")
		}
		rights, err := b.Rights()
		out.Person, out.Registration, out.Freshness = personRow(p, rights), p.Registration, b.freshness()
		out.Timeline, out.Discrepancies = b.timeline(p.Entity, p.Timeline), b.discrepancies(p)
		if err != nil {
			return err
		}
		out.Laptops = slices.DeleteFunc(b.devices(rights), func(d *pb.DeviceRow) bool {
			return cmp.Or(d.Person, d.LastWriter) != out.Person.Name
		})
		out.Person.Telephone, err = b.TelephoneOf(id)
		return err
	})
	return out, err
}

// personRow is a person with the roles that stand.
func personRow(p *ledger.Person, rights *ledger.Rights) *pb.PersonRow {
	row := &pb.PersonRow{Person: p.Entity.ID, Name: p.Name}
	for _, role := range rights.Roles(p.Entity.ID) {
		row.Roles = append(row.Roles, wording.Code(role))
		if grant, ok := rights.GrantFor(p.Entity.ID, []pb.Role{role}); ok && !slices.Contains(row.Grants, grant.String()) {
			row.Grants = append(row.Grants, grant.String())
		}
	}
	return row
}

// devices adds up the logs of each laptop.
func (b *ReadView) devices(rights *ledger.Rights) []*pb.DeviceRow {
	rows := map[string]*pb.DeviceRow{}
	last := map[string]int64{}
	var order []string
	for _, l := range b.r.Store.Logs() {
		id := hex.EncodeToString(l.Device())
		row, ok := rows[id]
		if !ok {
			row = &pb.DeviceRow{Device: id, Name: l.Name}
			rows[id] = row
			order = append(order, id)
		}
		row.Records += l.Newest() + 1
		last[id] = max(last[id], l.WallUs)
		row.LastHeardAt = b.At(time.UnixMicro(last[id]))
	}
	if rights.Founded() {
		for _, d := range rights.Devices { // also those that have sent nothing yet
			if id := hex.EncodeToString(d.Device); rows[id] == nil {
				rows[id] = &pb.DeviceRow{Device: id, Name: d.Name}
				order = append(order, id)
			}
		}
	}
	out := make([]*pb.DeviceRow, 0, len(order))
	for _, id := range order {
		device, _ := hex.DecodeString(id)
		rows[id].ShutOut = rights.Founded() && !rights.Admits(device)
		b.whoseLaptop(rows[id], rights, device)
		out = append(out, rows[id])
	}
	return out
}

// whoseLaptop says whose a laptop is; where the books do not, who wrote on it last.
func (b *ReadView) whoseLaptop(row *pb.DeviceRow, rights *ledger.Rights, device []byte) {
	if !rights.Founded() || rights.WasServer(device) {
		return
	}
	i := slices.IndexFunc(rights.Devices, func(d ledger.DeviceRight) bool { return bytes.Equal(d.Device, device) })
	switch {
	case i >= 0 && rights.Devices[i].Person != "":
		row.Person = b.Person(rights.Devices[i].Person)
	default:
		if last := b.LastWriter(device); last != "" {
			row.LastWriter = b.Person(last)
		}
	}
}

// lookedBack bounds the records in which the last author of a laptop is looked for: what
// it wrote by itself stands between.
const lookedBack = 64

// LastWriter is who wrote last on a laptop; empty when nobody did lately.
func (b *ReadView) LastWriter(device []byte) string {
	var newest store.LogInfo
	for _, l := range b.r.Store.Logs() {
		if bytes.Equal(l.Device(), device) && l.Lane != pb.Lane_LANE_URGENT && l.HLC > newest.HLC {
			newest = l
		}
	}
	if newest.HLC == 0 {
		return ""
	}
	hash := newest.Tip.Hash
	for range lookedBack {
		r, err := b.r.Store.FindRecord(hash.String())
		if err != nil {
			return ""
		}
		if r.Head.Author != "" {
			return r.Head.Author
		}
		var ok bool
		if hash, ok = event.ToHash(r.Head.Prev); !ok {
			return ""
		}
	}
	return ""
}

// ListAffected lists the cases of which a plan relied on a version.
func (s Reader) ListAffected(ctx context.Context, req *pb.ListAffectedRequest) (*pb.ListAffectedResponse, error) {
	out := &pb.ListAffectedResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		return b.Each(event.KindCase, func(st ledger.State) (bool, error) {
			c := st.(*ledger.Case)
			for i := range c.Plans {
				if p := &c.Plans[i]; p.EngineVersion == req.Version || slices.Contains(p.Versions, req.Version) {
					out.Cases = append(out.Cases, b.caseRow(c))
					break
				}
			}
			return len(out.Cases) < MaxRows, nil
		})
	})
	return out, err
}

// ListUse counts bags received, given, discarded and missing, with their cost.
func (s Reader) ListUse(ctx context.Context, req *pb.ListUseRequest) (*pb.ListUseResponse, error) {
	out := &pb.ListUseResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		by := cmp.Or(req.By, "month")
		if !slices.Contains([]string{"month", "place", "product", "person"}, by) {
			return refusal.New("by", req.By, "month, place, product or person")
		}
		if b.practice != nil {
			out.Currency = b.practice.Currency
		}
		if err := event.Typed(req); err != nil {
			return err
		}
		in, err := b.spanOf(req.From, req.To)
		if err != nil {
			return err
		}
		rows := map[string]*pb.UseRow{}
		err = b.eachBag(func(bag *ledger.BagLine, books *ledger.BagBooks) error {
			b.count(rows, by, in, bag, books)
			return nil
		})
		for _, r := range rows {
			out.Rows = append(out.Rows, r)
		}
		slices.SortFunc(out.Rows, func(x, y *pb.UseRow) int { return cmp.Compare(x.Group, y.Group) })
		return err
	})
	return out, err
}

// count puts one bag into the groups in which it came and went. What was given belongs
// to who began it and to when; the rest of a bag is thrown away by whoever did.
func (b *ReadView) count(rows map[string]*pb.UseRow, by string, in span, bag *ledger.BagLine, books *ledger.BagBooks) {
	group := func(atMs int64, author, place string) *pb.UseRow {
		if !in.has(atMs) {
			return &pb.UseRow{} // not asked for
		}
		name := b.groupName(by, bag, atMs, author, place)
		if rows[name] == nil {
			rows[name] = &pb.UseRow{Group: name}
		}
		return rows[name]
	}
	cost := int64(0)
	if bag.Label != nil && bag.Label.CostMinor != nil {
		cost = *bag.Label.CostMinor
	}
	for i, d := range books.Doses {
		row := group(d.AtMs, d.Author, d.Place)
		row.GivenMl += int64(d.Ml)
		if i == 0 {
			row.Given++
			row.CostMinor += cost
		}
	}
	if len(books.Moves) == 0 {
		return
	}
	if in := books.Moves[0]; in.How != ledger.CameUnknown {
		group(in.AtMs, in.Author, in.To).Received++
	}
	out := books.Moves[len(books.Moves)-1]
	switch bag.Ended {
	case ledger.EndDiscarded:
		row := group(out.AtMs, out.Author, out.From)
		row.Discarded++
		row.WasteMinor += cost
	case ledger.EndMissing:
		row := group(out.AtMs, out.Author, out.From)
		row.Missing++
		row.WasteMinor += cost
	}
}

func (b *ReadView) groupName(by string, bag *ledger.BagLine, atMs int64, author, place string) string {
	switch by {
	case "place":
		return cmp.Or(b.Name(event.KindPlace, place), "place unknown")
	case "product":
		if bag.Label == nil {
			return "product unknown"
		}
		return b.Name(event.KindProduct, bag.Label.Product)
	case "person":
		return b.Person(author)
	}
	return time.UnixMilli(atMs).In(b.zone).Format("2006-01")
}
