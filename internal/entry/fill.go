package entry

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// fill completes a payload with what this replica knows and with new ids: what
// the rules mark 'filled' and 'generate'. made lists the new ids.
func (b view) fill(m proto.Message, at time.Time) (made []string, err error) {
	if made, err = b.generate(m); err != nil {
		return nil, err
	}
	switch p := m.(type) {
	case *pb.BagsReceived:
		more, err := b.fillReceived(p)
		return append(made, more...), err
	case *pb.BagFound:
		return b.fillFound(p, made)
	case *pb.LabelUnreadable:
		return b.fillTorn(p, made)
	case *pb.ProductCard:
		return b.fillCard(p, made)
	case *pb.ProductCoded:
		p.Gtin, err = label.ParseGTIN("gtin", p.Gtin)
		return made, err
	case *pb.DonorRecorded:
		return b.fillDonor(p, made)
	case *pb.BagsOrdered:
		return b.fillOrder(p, made)
	}
	if err := b.fillStock(m); err != nil {
		return made, err
	}
	if err := b.fillMoney(m); err != nil {
		return made, err
	}
	return made, b.fillCase(m, at)
}

// fillStock completes what is about places, batches and the practice.
func (b view) fillStock(m proto.Message) (err error) {
	switch p := m.(type) {
	case *pb.BagsMoved:
		return b.fillMoved(p)
	case *pb.PlaceCounted:
		return b.fillCounted(p)
	case *pb.BatchHeld:
		p.SupportTelephone, err = b.supportTelephone(p.Product)
	case *pb.BatchRecalled:
		p.SupportTelephone, err = b.supportTelephone(p.Product)
	case *pb.QuarantineDecided:
		return b.fillDecided(p)
	case *pb.KitCounted:
		p.Expected, err = b.KitCount(p.Place, p.Item)
	case *pb.DiscrepancyExplained:
		return b.fillEvidence(p)
	case *pb.Linked:
		return b.fillLink(p)
	case *pb.NoteAdded:
		p.Entity, err = b.Resolve("entity", p.EntityKind, p.Entity)
	case *pb.RightsRevoked:
		return b.fillCuts(p)
	case *pb.MareDue:
		p.Mare = event.MareID(p.Chip, p.Ueln, p.Name, p.Client)
		p.YardClient, err = b.clientOfMare(p)
	case *pb.MonthClosed:
		p.Figures, err = b.MonthFigures(p.Month)
	case *pb.PracticeChanged:
		if own := b.Practice(); own != nil {
			p.Practice = own.Entity.ID
		}
	}
	return err
}

// fillCase completes what is about one case and the bag that ran in it when it happened.
func (b view) fillCase(m proto.Message, at time.Time) (err error) {
	switch p := m.(type) {
	case *pb.CaseOpened:
		p.DamKey = event.DamKey(p.DamChip, p.DamUeln, p.DamName)
	case *pb.ThawStarted:
		return b.withBag(p.Bag, func(bag *ledger.Bag) { p.Place = bag.Place })
	case *pb.TransfusionStarted:
		return b.fillStarted(p)
	case *pb.TransfusionEnded:
		p.Patient, err = b.patient(p.Case)
	case *pb.ReactionNoted:
		return b.fillReaction(p, at)
	case *pb.ReactionDescribed:
		return b.fillDescribed(p)
	case *pb.RateSet:
		p.Bag, err = b.bagAt(p.Case, at)
	case *pb.FlowChanged:
		p.Bag, err = b.bagAt(p.Case, at)
	case *pb.ReferralOffered:
		p.By, p.Client, p.CaseClient, err = b.answerer(p.Case, p.By)
	case *pb.EstimateAgreed:
		p.By, p.Client, p.CaseClient, err = b.answerer(p.Case, p.By)
	case *pb.RecheckPlanned:
		return b.fillRecheck(p)
	case *pb.CaseAdopted:
		return b.fillAdopted(p)
	}
	return err
}

// generate makes the ids that are not given.
func (b view) generate(m proto.Message) (made []string, err error) {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		if !rule.Generate || f.IsList() || rule.Format == pb.Format_FORMAT_BAG || r.Get(f).String() != "" {
			continue
		}
		id, err := event.NewID(b.replica.Random)
		if err != nil {
			return nil, err
		}
		r.Set(f, protoreflect.ValueOfString(id))
		made = append(made, id)
	}
	return made, nil
}

func (b view) newBag() (string, error) {
	n, err := label.NewBagNumber(b.replica.Random)
	return string(n), err
}

func (b view) fillReceived(p *pb.BagsReceived) (made []string, err error) {
	warm, _, err := b.arrivedWarm(p)
	if err != nil {
		return nil, err
	}
	p.SetAside = p.SetAside || warm || p.Arrived == pb.Arrival_ARRIVAL_SOFT || p.Arrived == pb.Arrival_ARRIVAL_THAWED
	if len(p.Bags) == 0 && 0 < p.Count && p.Count <= 200 {
		for range p.Count {
			n, err := b.newBag()
			if err != nil {
				return nil, err
			}
			made = append(made, n)
		}
		p.Bags = made
	}
	if int(p.Count) != len(p.Bags) && 0 < p.Count && p.Count <= 200 {
		return nil, refusal.New("count", p.Count, "the number of bag numbers, "+strconv.Itoa(len(p.Bags)))
	}
	return made, nil
}

// fillFound takes what is known of the bag, so that a bag with our number on it
// need not be described again.
func (b view) fillFound(p *pb.BagFound, made []string) ([]string, error) {
	if p.Bag == "" {
		n, err := b.newBag()
		if err != nil {
			return nil, err
		}
		p.Bag = n
		return append(made, n), nil
	}
	return made, b.withBag(p.Bag, func(bag *ledger.Bag) {
		if l := bag.Label; l != nil {
			p.Product, p.Batch = cmp.Or(p.Product, l.Product), cmp.Or(p.Batch, l.Batch)
			p.Expiry, p.VolumeMl = cmp.Or(p.Expiry, l.Expiry), cmp.Or(p.VolumeMl, l.VolumeMl)
		}
	})
}

// withBag calls fn when the bag is known here.
func (b view) withBag(id string, fn func(*ledger.Bag)) error {
	bag, err := b.Bag(id)
	if bag != nil {
		fn(bag)
	}
	return err
}

func (b view) fillMoved(p *pb.BagsMoved) error {
	p.FromPlaces = make([]string, len(p.Bags))
	for i, id := range p.Bags {
		if err := b.withBag(id, func(bag *ledger.Bag) { p.FromPlaces[i] = bag.Place }); err != nil {
			return err
		}
	}
	return nil
}

func (b view) fillCounted(p *pb.PlaceCounted) error {
	seen := map[string]bool{}
	for _, id := range p.BagsSeen {
		seen[id] = true
	}
	there, err := b.Find(ledger.TermPlace(p.Place))
	for _, k := range there {
		if k.Kind == event.KindBag && !seen[k.ID] {
			p.BagsNotSeen = append(p.BagsNotSeen, k.ID)
		}
	}
	return err
}

func (b view) fillStarted(p *pb.TransfusionStarted) error {
	err := b.withBag(p.Bag, func(bag *ledger.Bag) { p.Place = bag.Place })
	if err != nil {
		return err
	}
	if p.Product, p.Batch, err = b.batchOf(p.Bag); err != nil {
		return err
	}
	p.Patient, err = b.patient(p.Case)
	return err
}

// answerer is who spoke for a patient, told apart from who wrote it down: the case's own
// client, by id so that the name stays sealed, when nobody else was typed.
func (b view) answerer(of, typed string) (by, client, caseClient string, err error) {
	c, err := b.Case(of)
	if err != nil {
		return typed, "", "", err
	}
	typed = strings.TrimSpace(typed)
	if c != nil && c.Patient != nil && c.Patient.Client != "" {
		caseClient = c.Patient.Client
		if typed == "" || typed == caseClient || strings.EqualFold(typed, b.Name(event.KindClient, caseClient)) {
			return "", caseClient, "", nil
		}
	}
	if typed == "" {
		return "", "", "", refusal.New("client", "", "who spoke for the patient: no client stands in this case")
	}
	return typed, "", caseClient, nil
}

// clientOfMare is the client under whose key a mare's yard is sealed: as told now, else
// as it was told of her before.
func (b view) clientOfMare(p *pb.MareDue) (string, error) {
	if p.Client != "" || p.Yard == "" {
		return p.Client, nil
	}
	known, err := query.Get[*ledger.Mare](b.ReadView, event.KindMare, p.Mare)
	if known == nil {
		return "", err
	}
	return known.Client, err
}

// patient is what two entries of one patient have in common: the dam and the
// twin letter; an adult's own chip, its name with the client or else with the yard, or its case.
func (b view) patient(id string) (string, error) {
	c, err := b.Case(id)
	if err != nil || c == nil || c.Patient == nil {
		return id, err
	}
	switch p := c.Patient; {
	case p.DamKey != "":
		return p.DamKey + "/" + p.Twin, nil
	case p.Chip != "":
		return "chip:" + p.Chip, nil
	case p.Name != "" && p.Client != "":
		return "client:" + p.Client + "/" + strings.ToUpper(p.Name), nil
	case p.Name != "" && p.Yard != "":
		return "name:" + strings.ToUpper(p.Name+"/"+p.Yard), nil
	}
	return id, nil
}

func (b view) fillReaction(p *pb.ReactionNoted, at time.Time) (err error) {
	if p.Bag, err = b.bagAt(p.Case, at); err != nil || p.Bag == "" {
		return err
	}
	p.Product, p.Batch, err = b.batchOf(p.Bag)
	return err
}

// batchOf is the product and batch on a bag's label; empty while it is not here.
func (b view) batchOf(id string) (product, batch string, err error) {
	err = b.withBag(id, func(bag *ledger.Bag) {
		if bag.Label != nil {
			product, batch = bag.Label.Product, bag.Label.Batch
		}
	})
	return product, batch, err
}

// fillDescribed reckons the minutes from the start of the bag to the first sign, where
// nobody typed them. The mL are read off the bag, never filled in.
func (b view) fillDescribed(p *pb.ReactionDescribed) error {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || p.OnsetMin != nil || len(c.Reactions) == 0 {
		return err
	}
	first := &c.Reactions[0]
	if t := c.Transfused(first.Bag); t != nil && first.Stamp.AtMs >= t.FirstMs() {
		p.OnsetMin = proto.Int32(int32((first.Stamp.AtMs - t.FirstMs()) / 60_000))
	}
	return nil
}

// bagAt is the bag that ran in a case at a moment, else the last one that had been begun
// by then. What is entered while a bag runs, whatever the clock says, is told of that.
func (b view) bagAt(id string, at time.Time) (string, error) {
	c, err := b.Case(id)
	if err != nil || c == nil || len(c.Transfusions) == 0 {
		return "", err
	}
	now := func(t ledger.Transfusion) bool { return t.Running && !at.Before(b.Now()) }
	if i := slices.IndexFunc(c.Transfusions, now); i >= 0 {
		return c.Transfusions[i].Bag, nil
	}
	return c.RanAt(at.UnixMilli(), "").Bag, nil
}

func (b view) supportTelephone(product string) (string, error) {
	p, err := b.Card(product)
	if p == nil {
		return "", err
	}
	return p.SupportTelephone, nil
}

// fillCard makes a card of a known name the next version of that product.
func (b view) fillCard(p *pb.ProductCard, made []string) ([]string, error) {
	id, ok, err := b.ByName("name", event.KindProduct, p.Name)
	if _, several := refusal.As(err); err != nil && !several {
		return nil, err
	}
	p.Version = 1
	if !ok {
		return made, nil
	}
	old, err := b.Card(id)
	if old != nil && strings.EqualFold(old.Name, p.Name) {
		p.Product, p.Version, made = id, old.Version+1, nil
	}
	return made, err
}

// fillRecheck takes the practice's own hours from the end to the recheck.
func (b view) fillRecheck(p *pb.RecheckPlanned) error {
	if p.DueAt != nil {
		return nil
	}
	c, err := b.Case(p.Case)
	if err != nil {
		return err
	}
	due, err := b.RecheckUsual(c)
	if err != nil {
		return err
	}
	p.DueAt = &pb.Moment{UnixMs: due.UnixMilli(), Zone: b.Zone().String(), Precision: pb.Precision_PRECISION_HOUR, Source: pb.TimeSource_TIME_SOURCE_NOW}
	return nil
}

// fillDecided finds what is decided on: the warm spell that is open for any of the bags,
// else what all of them were set aside for: a label, or how a delivery arrived.
func (b view) fillDecided(p *pb.QuarantineDecided) error {
	if p.Warm != "" {
		return nil
	}
	var open []ledger.WarmSpan
	var aside []string
	for _, id := range p.Bags {
		bag, err := b.Bag(id)
		if err != nil || bag == nil {
			return err
		}
		if why := cmp.Or(bag.SetAside(), bag.ArrivedAside()); !slices.Contains(aside, why) {
			aside = append(aside, why)
		}
		spells, err := b.OpenSpells(bag.Line())
		if err != nil {
			return err
		}
		for _, w := range spells {
			if !slices.ContainsFunc(open, func(o ledger.WarmSpan) bool { return o.Stamp.Record == w.Stamp.Record }) {
				open = append(open, w)
			}
		}
	}
	if len(open) == 1 {
		p.Warm = open[0].Stamp.Record.String()
		return nil
	}
	if len(open) == 0 && len(aside) == 1 && aside[0] != "" {
		p.Warm = aside[0]
		return nil
	}
	want := "bags for which a warm spell is open"
	if len(open) > 1 {
		var which []string
		for _, w := range open {
			which = append(which, w.Stamp.Record.String()[:12]+" (from "+b.Clock(w.FromMs)+")")
		}
		want = "one warm spell, since several are open: " + strings.Join(which, ", ")
	}
	return refusal.New("warm", "", want)
}

// fillEvidence names the evidence that stands now: what comes later opens the
// discrepancy again.
func (b view) fillEvidence(p *pb.DiscrepancyExplained) error {
	id, err := b.resolveOwner(p.EntityKind, p.Entity)
	if err != nil {
		return err
	}
	p.Entity = id
	s, err := b.State(event.Key{Kind: p.EntityKind, ID: id})
	if err != nil {
		return err
	}
	if s != nil {
		for _, d := range s.Discrepancies() {
			if d.Kind != p.Kind {
				continue
			}
			for _, token := range d.Evidence {
				p.Evidence = append(p.Evidence, token[:])
			}
			return nil
		}
	}
	return refusal.Conflict("kind", p.Kind, "a discrepancy of that kind on this "+p.EntityKind)
}

// resolveOwner accepts ids that are not names: of a batch (product/code), a dam,
// a log or the rights.
func (b view) resolveOwner(kind, text string) (string, error) {
	switch kind {
	case event.KindBatch:
		product, code, ok := strings.Cut(text, "/")
		if !ok {
			return "", refusal.New("entity", text, "a batch as product/code")
		}
		id, err := b.Resolve("entity", event.KindProduct, product)
		return event.BatchID(id, code), err
	case event.KindDam, event.KindLog, event.KindRights:
		return text, nil
	}
	return b.Resolve("entity", kind, text)
}

func (b view) fillLink(p *pb.Linked) (err error) {
	switch p.Kind {
	case event.KindBag, event.KindCase, event.KindClient, event.KindPerson:
	default:
		return refusal.New("kind", p.Kind, "bag, case, client or person")
	}
	if p.First, err = b.Resolve("first", p.Kind, p.First); err != nil {
		return err
	}
	if p.Second, err = b.Resolve("second", p.Kind, p.Second); err != nil {
		return err
	}
	if p.First == p.Second {
		return refusal.New("second", p.Second, "another "+p.Kind+" than the first")
	}
	return nil
}

// wholeDevice completes the first digits of a laptop's id.
func (b view) wholeDevice(p *pb.RightsRevoked) error {
	rights, err := b.Rights()
	if err != nil || len(p.Device) == 0 || !rights.Founded() {
		return err
	}
	var found [][]byte
	for _, d := range rights.Devices {
		if bytes.HasPrefix(d.Device, p.Device) {
			found = append(found, d.Device)
		}
	}
	if len(found) != 1 {
		return refusal.Conflict("device", hex.EncodeToString(p.Device), "the id of one laptop of the practice, as `people` lists them")
	}
	p.Device = found[0]
	return nil
}

// fillCuts names where each log of the device, or of any device for a grant,
// stands now: what was written up to here still counts.
func (b view) fillCuts(p *pb.RightsRevoked) error {
	if len(p.Device) == 0 && p.Grant == "" {
		return refusal.New("device", "", "a laptop or a grant to end")
	}
	if err := b.wholeDevice(p); err != nil {
		return err
	}
	for _, l := range b.replica.Store.Logs() {
		if p.Grant != "" || string(l.Device()) == string(p.Device) {
			p.Cuts = append(p.Cuts, exchange.LogTip{Log: l.ID, Tip: l.Tip}.PB())
		}
	}
	return nil
}
