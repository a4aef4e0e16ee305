package entry

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// # What a correction keeps
//
// A correction puts whole words in place of a whole record, and the record goes on
// being about the same things: its bags keep their numbers, a case or a place its id,
// and what this laptop knew when the original was entered stays what it knew then.

// correct fills in what stands instead of the original, and what is known of
// earlier corrections.
func (e *pending) correct(c *pb.Corrected, replacement *pb.Entry) error {
	original, err := e.b.replica.FindRecord("original", c.Original)
	if err != nil {
		return err
	}
	if err := canBeCorrected(original, c.Original); err != nil {
		return err
	}
	e.original = original
	c.Reason = strings.TrimSpace(c.Reason)
	e.draft.Keys = append(e.draft.Keys, original.Touches()...)
	e.draft.References = [][]byte{original.Hash[:]}
	stands, err := e.standing(original, c)
	if err != nil {
		return err
	}
	c.Type = original.Head.Type
	if c.Void {
		return e.b.neverCame(stands.Body)
	}
	if c.OccurredAt == nil { // the time that stands is told again: another case may hear of it here alone
		c.OccurredAt = stands.Told
	}
	return e.replace(original, stands, c, replacement)
}

// canBeCorrected refuses what no correction reaches, with the way that is.
func canBeCorrected(original *event.Record, typed string) error {
	spec, known := event.Lookup(original.Head.Type)
	if known && event.Correctable(original.Head.Type) {
		return nil
	}
	refused := refusal.Conflict("original", typed, "an entry that a person made")
	if c := query.CorrectionIn(original); c != nil {
		return refused.Because("this corrects another entry; correct that one again: " + c.Original)
	}
	if !known {
		return refused.Because("only a newer version of this program can read it")
	}
	if way := otherWays[original.Head.Type]; way != "" {
		return refused.Because(spec.Rule.GetShort() + ": that is changed by '" + way + "'")
	}
	return refused
}

// otherWays are the commands that change what makes rights.
var otherWays = map[event.Type]string{
	event.TypePracticeFounded: "practice change",
	event.TypeRoleGranted:     "rights revoke --grant",
	event.TypeRightsRevoked:   "role grant",
	event.TypeLogAdmitted:     "rights revoke --device",
	event.TypeForgotten:       "client add",
}

// mayCorrect refuses to let somebody take back what another one told of a patient:
// whoever entered it may, a vet, and an owner. A reason is asked for, but of an author
// who takes an entry back at once.
func (e *pending) mayCorrect() error {
	o := e.original
	if o == nil {
		return nil
	}
	if c := e.payload.(*pb.Corrected); c.Reason == "" && !(c.Void && e.justWritten()) {
		return refusal.New("reason", "", "why it is corrected; within a minute of the entry its author can void it without").
			Because("the entry is from " + e.b.Clock(o.Head.WallUs/1000))
	}
	if o.Head.Author == "" || o.Head.Author == e.author || !aboutPatient(o) ||
		e.b.HasRole(e.author, pb.Role_ROLE_VET, pb.Role_ROLE_OWNER) {
		return nil
	}
	return refusal.Fail(refusal.ErrDenied, "%s may not correct this: it tells of a patient and was entered by %s, who may, as a vet or an owner may",
		orNobody(e.b.Name(event.KindPerson, e.author)), e.b.Name(event.KindPerson, o.Head.Author))
}

// justWritten says that the author wrote on this machine, a moment ago, what is
// corrected.
func (e *pending) justWritten() bool {
	o, own := e.original, e.b.replica.Store
	log, ok := own.Log(o.Log)
	return ok && bytes.Equal(log.Device(), own.Device()) && (o.Head.Author == e.author || o.Head.Author == "") &&
		o.Head.WallUs <= e.b.Now().UnixMicro() && e.b.Now().Before(query.UndoUntil(o))
}

// takesBack says that the entry is a correction for which nobody is asked for a PIN.
func (e *pending) takesBack() bool {
	c, ok := e.payload.(*pb.Corrected)
	return ok && ledger.TakenBack(c)
}

// unnamed says that an entry may be saved without a name: it is signed later, or takes
// back what was saved without one.
func (e *pending) unnamed() bool {
	return e.spec.Rule.GetSignLater() || e.takesBack() && e.original != nil && e.original.Head.Author == ""
}

// aboutPatient says that a record touches a case.
func aboutPatient(r *event.Record) bool {
	return slices.ContainsFunc(r.Touches(), func(k event.Key) bool { return k.Kind == event.KindCase })
}

// standing is what the original says after the corrections that are known here, which
// are noted in c. All that any of them was about is touched again, so that what it put
// there goes with it.
func (e *pending) standing(original *event.Record, c *pb.Corrected) (*query.Standing, error) {
	stands, err := e.b.Standing(original)
	if err != nil {
		return nil, fmt.Errorf("read what is to be corrected: %w", err)
	}
	for _, f := range stands.Fixes {
		c.Known = append(c.Known, f.Rec.Hash[:])
		e.draft.Keys = append(e.draft.Keys, f.Rec.Touches()...)
	}
	return stands, nil
}

// replace makes what stands instead as if it were entered now, but keeps what the original
// is about and what was known then. A slip is refused as in any entry; what is done is
// done, so that no caution stops it.
func (e *pending) replace(original *event.Record, stands *query.Standing, c *pb.Corrected, replacement *pb.Entry) error {
	t, payload, err := event.Unwrap(replacement)
	if err != nil {
		return refusal.New("with", "", "what stands instead, or --void when it never happened")
	}
	at := time.UnixMilli(original.OccurredMs())
	if c.OccurredAt != nil {
		if at, err = e.b.moment(c.OccurredAt); err != nil {
			return err
		}
		c.OccurredAt = e.b.told(c.OccurredAt, at)
	}
	sub := &pending{b: e.b, payload: withoutTwins(proto.Clone(payload)), at: at, instead: true}
	if sub.spec, _ = event.Lookup(t); sub.spec == nil || sub.spec.Rule.GetInternal() {
		return refusal.New("with", t, "an entry that people make")
	}
	same := payload.ProtoReflect().Descriptor() == stands.Body.ProtoReflect().Descriptor()
	if same {
		if err := sub.keepIDs(stands); err != nil {
			return err
		}
	}
	made := sub.made
	if err := sub.complete(&pb.WriteRequest{}); err != nil {
		return err
	}
	if same {
		keepKnown(sub.payload, stands.Body)
		if err := e.b.relabel(sub.payload); err != nil {
			return err
		}
	}
	if e.foreseen, err = sub.raise(); err != nil {
		return err
	}
	if c.Payload, err = proto.Marshal(sub.payload); err != nil {
		return err
	}
	c.Type, e.made, e.newKeys = t, append(made, sub.made...), sub.newKeys
	e.draft.Keys = append(e.draft.Keys, event.KeysOf(t, sub.payload, at)...)
	return nil
}

// ofReplacement are the cautions about the words that a correction puts in place: what
// takes a reason of who is about to act is not asked of what was done, but for a time
// that has not come yet.
func (e *pending) ofReplacement() []caution.Raised {
	return slices.DeleteFunc(slices.Clone(e.foreseen), func(r caution.Raised) bool {
		return r.Level == caution.Reason && r.Code != futureTime.Code
	})
}

// keepIDs carries over what the original made: a correction is about the same bags,
// case, place or person. Words that nobody can read here stay sealed as they are.
func (e *pending) keepIDs(stands *query.Standing) error {
	from, to := proto.Clone(stands.Body).ProtoReflect(), e.payload.ProtoReflect()
	readable := e.b.Opened(stands).ProtoReflect()
	fields := to.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		keep := event.RuleOf(f).Generate || event.RuleOf(f).Sealed && event.RuleOf(f).Seals == "" && !readable.Has(f)
		if keep && from.Has(f) && !to.Has(f) {
			to.Set(f, from.Get(f))
		}
	}
	e.keepTwins(stands.Body, readable.Interface())
	if p, ok := e.payload.(*pb.BagsReceived); ok {
		return e.keepBags(p, everNamed(stands))
	}
	return nil
}

// keepTwins keeps words about a client that nobody can read here, as long as the client
// under whose key they are is the same.
func (e *pending) keepTwins(standing, readable proto.Message) {
	for _, t := range event.Twins(e.payload) {
		if s := t.Closed(standing); s != nil && t.Words(readable) == "" && t.Words(e.payload) == "" && t.Owner(standing) == t.Owner(e.payload) {
			t.Close(e.payload, s)
		}
	}
}

// everNamed are the numbers of a delivery's bags, those too that fell away when its count
// was corrected: their stickers were printed.
func everNamed(stands *query.Standing) (out []string) {
	told := []proto.Message{stands.First}
	for _, f := range stands.Fixes {
		m, _ := event.Replacement(f.Body)
		told = append(told, m)
	}
	for _, m := range told {
		if p, ok := m.(*pb.BagsReceived); ok {
			out = append(out, p.Bags...)
		}
	}
	return out
}

// keepBags fits the numbers of a delivery to a count that was put right. Bags more than
// stand take the numbers that had fallen away, then new ones. Of fewer, the last fall
// away that nothing else was told of; a bag that somebody handled was there.
func (e *pending) keepBags(p *pb.BagsReceived, named []string) error {
	for _, n := range named {
		if int(p.Count) > len(p.Bags) && !slices.Contains(p.Bags, n) {
			p.Bags = append(p.Bags, n)
		}
	}
	for int(p.Count) > len(p.Bags) && p.Count <= maxBagsOfDelivery {
		n, err := e.b.newBag()
		if err != nil {
			return err
		}
		p.Bags, e.made = append(p.Bags, n), append(e.made, n)
	}
	handled := 0
	for i := len(p.Bags) - 1; i >= 0 && 0 < p.Count && int(p.Count) < len(p.Bags); i-- {
		told, err := e.b.handled(p.Bags[i])
		switch {
		case err != nil:
			return err
		case told:
			handled++
		default:
			p.Bags = slices.Delete(p.Bags, i, i+1)
		}
	}
	if 0 < p.Count && int(p.Count) < len(p.Bags) {
		return refusal.Conflict("count", p.Count, fmt.Sprintf("at least the bags that something else was told of: %d of them", handled)).
			Because("void what was told of a bag that never came, then correct the delivery")
	}
	return nil
}

// neverCame refuses to void a delivery of which bags were handled: they were there, and
// whoever had plasma of them must be found by their batch.
func (b view) neverCame(standing proto.Message) error {
	p, ok := standing.(*pb.BagsReceived)
	if !ok {
		return nil
	}
	n := 0
	for _, id := range p.Bags {
		told, err := b.handled(id)
		if err != nil {
			return err
		}
		if told {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return refusal.Conflict("void", "true", "a delivery of whose bags nothing else was told; it was of "+wording.Plural(n, "bag")).
		Because(fmt.Sprintf("correct its count to %d, or void first what was told of a bag that never came", n))
}

// maxBagsOfDelivery is as many as one delivery may name.
const maxBagsOfDelivery = 200

// handled says that something beside its delivery was told of a bag, and stands.
func (b view) handled(id string) (bool, error) {
	bag, err := b.Bag(id)
	if bag == nil {
		return false, err
	}
	return slices.ContainsFunc(bag.Timeline, func(t ledger.Entry) bool {
		spec, ok := event.Lookup(t.Type)
		receipt := ok && spec.Message() == (&pb.BagsReceived{}).ProtoReflect().Descriptor()
		return !receipt && t.Stands()
	}), nil
}

// keepKnown puts back what the original's laptop knew: filling in anew asked today's
// books, which may hold the very thing that is corrected. A batch is not kept: it is
// whatever the bag's label says now.
func keepKnown(payload, standing proto.Message) {
	switch p := payload.(type) {
	case *pb.BagsMoved:
		keepFrom(p, standing.(*pb.BagsMoved))
		return
	case *pb.PlaceCounted:
		keepNotSeen(p, standing.(*pb.PlaceCounted))
		return
	}
	from, to := standing.ProtoReflect(), payload.ProtoReflect()
	if !sameSubject(from, to) {
		return
	}
	fields := to.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		labelled := rule.Entity == event.KindBatch || rule.Refers == event.KindProduct
		spoke := rule.Refers == event.KindClient || rule.Seals != "" // follows from who is said to have spoken
		ids := f.IsList() && f.Message() == nil                      // figures are kept, as of a closed month; a list of ids follows from the words
		if rule.Filled && !labelled && !spoke && !ids && from.Has(f) {
			to.Set(f, from.Get(f))
		}
	}
}

// relabel fills in the batch of the bag that was kept.
func (b view) relabel(payload proto.Message) (err error) {
	switch p := payload.(type) {
	case *pb.TransfusionStarted:
		p.Product, p.Batch, err = b.batchOf(p.Bag)
	case *pb.ReactionNoted:
		p.Product, p.Batch, err = b.batchOf(p.Bag)
	}
	return err
}

// sameSubject says that two payloads of one type name the same bag, case, place and
// the like.
func sameSubject(a, b protoreflect.Message) bool {
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		if !rule.Filled && (rule.Entity != "" || rule.Refers != "") && !a.Get(f).Equal(b.Get(f)) {
			return false
		}
	}
	return true
}

// keepFrom keeps where each bag was held to be before it was moved.
func keepFrom(p, standing *pb.BagsMoved) {
	for i, id := range p.Bags {
		if j := slices.Index(standing.Bags, id); j >= 0 && j < len(standing.FromPlaces) {
			p.FromPlaces[i] = standing.FromPlaces[j]
		}
	}
}

// keepNotSeen keeps which bags the books held to be at a place when it was counted:
// those not seen then that are not seen now either, and those seen by mistake.
func keepNotSeen(p, standing *pb.PlaceCounted) {
	if p.Place != standing.Place {
		return
	}
	p.BagsNotSeen = slices.DeleteFunc(slices.Concat(standing.BagsNotSeen, standing.BagsSeen), func(id string) bool {
		return slices.Contains(p.BagsSeen, id)
	})
}
