package ledger

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
)

// FoldVersion changes whenever the same records may give other bytes.
const FoldVersion = 16

// Input is one record of a set that is folded.
type Input struct {
	Rec     *event.Record
	Payload proto.Message // nil when it is unreadable or of an unknown type
	// Flaw is FlawOf the record and payload, by whoever folds them into many entities;
	// FlawUnasked: it is worked out.
	Flaw Flaw
	// Entitled says that the author held the right (Rights.Standing).
	Entitled bool
	// Forked says that another record with the same log and seq is held.
	Forked bool
	// Foreign says that the record founded another practice than the one that
	// this replica joined: it is kept, and gives no rights.
	Foreign bool

	// via are the records by which Rec is held, when one of them carries it (package
	// event, again.go); nil when it is held by itself alone.
	via []*event.Record
}

// State is what one entity's records add up to: *Bag, *Batch, *Case, *Client,
// *Dam, *Donor, *Kit, *Log, *Mare, *Month, *Order, *Person, *Place, *Practice, *Price, *Product, *Protocol,
// *Rights, *Setting, *Temperature or *Vehicle. States are read, never changed.
type State interface {
	Key() event.Key
	Story() []Entry
	Discrepancies() []Discrepancy
	overridden() []OverrideCount
	correctedMs() int64
	told() bool
}

// kinds says, for each kind of entity, how it is folded and decoded.
var kinds = map[string]struct {
	fold  func(*set) State
	empty func() State
}{
	event.KindBag:         {foldBag, func() State { return &Bag{} }},
	event.KindBatch:       {foldBatch, func() State { return &Batch{} }},
	event.KindCase:        {foldCase, func() State { return &Case{} }},
	event.KindClient:      {foldClient, func() State { return &Client{} }},
	event.KindDam:         {foldDam, func() State { return &Dam{} }},
	event.KindDonor:       {foldDonor, func() State { return &Donor{} }},
	event.KindKit:         {foldKit, func() State { return &Kit{} }},
	event.KindLog:         {foldLog, func() State { return &Log{} }},
	event.KindMare:        {foldMare, func() State { return &Mare{} }},
	event.KindMonth:       {foldMonth, func() State { return &Month{} }},
	event.KindOrder:       {foldOrder, func() State { return &Order{} }},
	event.KindPerson:      {foldPerson, func() State { return &Person{} }},
	event.KindPlace:       {foldPlace, func() State { return &Place{} }},
	event.KindPractice:    {foldPractice, func() State { return &Practice{} }},
	event.KindPrice:       {foldPrice, func() State { return &Price{} }},
	event.KindProduct:     {foldProduct, func() State { return &Product{} }},
	event.KindProtocol:    {foldProtocol, func() State { return &Protocol{} }},
	event.KindRights:      {foldRights, func() State { return &Rights{} }},
	event.KindSetting:     {foldSetting, func() State { return &Setting{} }},
	event.KindTemperature: {foldTemperature, func() State { return &Temperature{} }},
	event.KindVehicle:     {foldVehicle, func() State { return &Vehicle{} }},
}

// Fold turns the records that touch an entity into its state. Order and
// repetition do not matter. The result is nil when there are no records or the
// kind is not known to this version.
func Fold(key event.Key, inputs []Input) State {
	kind, ok := kinds[key.Kind]
	distinct := prune(key, distinctWritten(originals(key, inputs)))
	if !ok || len(distinct) == 0 {
		return nil
	}
	return bounded(key, kind.fold, distinct)
}

// distinctWritten sorts into written order and keeps each record once.
func distinctWritten(inputs []Input) []Input {
	out := slices.DeleteFunc(slices.Clone(inputs), func(in Input) bool { return in.Rec == nil })
	slices.SortStableFunc(out, func(a, b Input) int { return event.CompareWritten(a.Rec, b.Rec) })
	n := 0
	for _, in := range out {
		if n > 0 && out[n-1].Rec.Hash == in.Rec.Hash {
			out[n-1] = merged(out[n-1], in)
			continue
		}
		out[n] = in
		n++
	}
	return out[:n]
}

// merged joins what two copies of one record were said to be.
func merged(a, b Input) Input {
	if a.Payload == nil {
		a.Payload, a.Flaw = b.Payload, b.Flaw
	}
	a.Entitled = a.Entitled || b.Entitled
	a.Forked = a.Forked || b.Forked
	a.Foreign = a.Foreign || b.Foreign
	if a.via != nil || b.via != nil {
		a.via = slices.Concat(a.ways(), b.ways())
	}
	return a
}
