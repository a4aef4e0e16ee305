package query_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/label"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// The law of corrections: books in which slips were corrected and ghosts were voided
// answer as books in which all of it was typed right in the first place. One laptop
// hears a history with slips and with things that never happened, and puts them right
// later, in any order; another hears the truth. What they answer may differ in nothing
// but numbers that were drawn, and in what tells of the corrections themselves.

// ids are what a laptop made: bags of the deliveries and cases, by the names that the
// history gives them.
type ids map[string]string

// truth is one thing that happened, and the ways to tell it wrongly.
type truth struct {
	at    time.Time
	made  []string // the history's names of what it makes
	right func(ids) proto.Message
	slips []func(ids) proto.Message
	ghost bool // it never happened: only the laptop with slips hears of it
}

// history draws truths. Names of bags are 'bag D.N', of cases 'case N'.
type history struct {
	random *rand.Rand
	at     time.Time
	bags   []string
	cases  []string
	out    []truth
	n      int
}

func (h *history) pick(of []string) string { return of[h.random.IntN(len(of))] }

func (h *history) next() string {
	h.n++
	return fmt.Sprint(h.n)
}

// other is another of a list than the one that is right.
func (h *history) other(of []string, right string) string {
	for {
		if p := h.pick(of); p != right {
			return p
		}
	}
}

var (
	lawPlaces   = []string{"clinic", "north car", "south car"}
	lawProducts = []string{"Foal plasma", "Hyper plasma"}
)

func (h *history) delivery() {
	product, batch, place := h.pick(lawProducts), "H-"+h.pick([]string{"2207", "3391", "4418"}), h.pick(lawPlaces)
	count, cost := 1+h.random.IntN(3), int64(20_000+h.random.IntN(9_000))
	of := func(change func(*pb.BagsReceived)) func(ids) proto.Message {
		return func(ids) proto.Message {
			p := &pb.BagsReceived{Product: product, Batch: batch, Expiry: "2029-01", VolumeMl: 950, Count: int32(count), Place: place, CostMinor: proto.Int64(cost), IggCgPerL: proto.Int32(2000)}
			change(p)
			return p
		}
	}
	t := truth{right: of(func(*pb.BagsReceived) {})}
	for _, slip := range []func(*pb.BagsReceived){
		func(p *pb.BagsReceived) { p.CostMinor = nil },
		func(p *pb.BagsReceived) { p.Expiry = "2028-01" },
		func(p *pb.BagsReceived) { p.VolumeMl = 1950 },
		func(p *pb.BagsReceived) { p.Batch = "X-9" },
		func(p *pb.BagsReceived) { p.Product = h.other(lawProducts, product) },
		func(p *pb.BagsReceived) { p.Place = h.other(lawPlaces, place) },
		func(p *pb.BagsReceived) { p.Count++ },
		func(p *pb.BagsReceived) { p.Count = max(1, p.Count-1) },
	} {
		t.slips = append(t.slips, of(slip))
	}
	d := h.next()
	for i := range count {
		t.made = append(t.made, fmt.Sprintf("bag %s.%d", d, i))
	}
	h.bags = append(h.bags, t.made...)
	h.add(t)
}

func (h *history) opened() {
	dam := h.pick([]string{"Quiet Harbour", "Morning Tide", "Velvet Brick"}) + " " + h.next()
	born := h.at.Add(-time.Duration(1+h.random.IntN(9)) * time.Hour)
	of := func(dam string) func(ids) proto.Message {
		return func(ids) proto.Message {
			return &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam, ClockChecked: true, Box: "4", BornAt: momentOf(born)}
		}
	}
	id := "case " + h.next()
	h.cases = append(h.cases, id)
	h.add(truth{made: []string{id}, right: of(dam), slips: []func(ids) proto.Message{of(dam + "x")}})
}

// told adds something that is told of a bag and a case, with what may be wrong in it.
func (h *history) told() {
	bag, id, ml, place := h.pick(h.bags), h.pick(h.cases), int32(200+h.random.IntN(600)), h.pick(lawPlaces)
	with := func(make func(ids, string, string, int32, string) proto.Message) truth {
		say := func(bag, id string, ml int32, place string) func(ids) proto.Message {
			return func(of ids) proto.Message { return make(of, bag, id, ml, place) }
		}
		return truth{right: say(bag, id, ml, place), slips: []func(ids) proto.Message{
			say(bag, id, ml+100, place), say(bag, id, ml, h.other(lawPlaces, place)), say(bag, h.pick(h.cases), ml, place), say(h.pick(h.bags), id, ml, place),
		}}
	}
	weighed := with(func(of ids, _, id string, ml int32, _ string) proto.Message {
		return &pb.PatientWeighed{Case: of[id], WeightG: ml * 60, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}
	})
	tested := with(func(of ids, _, id string, ml int32, _ string) proto.Message {
		return &pb.IggTested{Case: of[id], Kind: "radial immunodiffusion", IggCgPerL: proto.Int32(ml)}
	})
	rechecked := with(func(of ids, _, id string, ml int32, _ string) proto.Message {
		return &pb.Entry{Body: &pb.Entry_IggRechecked{IggRechecked: &pb.IggTested{Case: of[id], Kind: "radial immunodiffusion", IggCgPerL: proto.Int32(2 * ml)}}}
	})
	started := with(func(of ids, bag, id string, _ int32, _ string) proto.Message {
		return &pb.TransfusionStarted{Bag: of[bag], Case: of[id]}
	})
	ended := with(func(of ids, bag, id string, ml int32, _ string) proto.Message {
		return &pb.TransfusionEnded{Bag: of[bag], Case: of[id], GivenMl: ml}
	})
	examined := with(func(of ids, _, id string, ml int32, _ string) proto.Message {
		p := &pb.PatientExamined{Case: of[id], HeartRate: proto.Int32(80 + ml%40)}
		if ml%2 == 0 {
			p.Signs = []string{"no_suck"}
		}
		return p
	})
	switch h.random.IntN(13) {
	case 0, 1:
		h.add(started)
		h.at = h.at.Add(time.Hour)
		h.add(ended)
	case 2, 9:
		for _, t := range []truth{weighed, examined, tested, started, ended, rechecked} {
			h.add(t)
		}
	case 3, 4:
		h.add(with(func(of ids, bag, _ string, _ int32, place string) proto.Message {
			return &pb.BagsMoved{Bags: []string{of[bag]}, ToPlace: place}
		}))
	case 5:
		h.add(with(func(of ids, bag, _ string, ml int32, _ string) proto.Message {
			return &pb.BagDiscarded{Bag: of[bag], Reason: pb.DiscardReason(1 + ml%3)}
		}))
	case 6:
		h.add(with(func(of ids, bag, id string, ml int32, _ string) proto.Message {
			p := &pb.ReactionNoted{Case: of[id], Signs: []string{"hives"}}
			if ml%3 > 0 { // one in three names no bag
				p.Bag = of[bag]
			}
			return p
		}))
	case 7:
		h.add(weighed)
		h.add(examined)
	case 8:
		h.add(with(func(_ ids, _, _ string, ml int32, place string) proto.Message {
			return &pb.KitStocked{Place: place, Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 1 + ml%5}
		}))
	case 10:
		h.add(tested)
	case 11:
		h.add(rechecked)
	default:
		h.add(with(func(_ ids, _, _ string, ml int32, place string) proto.Message {
			return &pb.TemperatureRead{Place: place, NowDc: -200 - ml/10}
		}))
	}
}

// add puts a truth at the next moment, and now and then a ghost of the same kind.
func (h *history) add(t truth) {
	h.at = h.at.Add(time.Duration(20+h.random.IntN(3000)) * time.Minute)
	t.at = h.at
	h.out = append(h.out, t)
	switch h.random.IntN(8) {
	case 0, 1:
		h.out = append(h.out, truth{at: t.at.Add(time.Minute), right: t.slips[h.random.IntN(len(t.slips))], ghost: true})
	case 2:
		h.out = append(h.out, truth{at: t.at.Add(time.Minute), right: h.neverThere(), ghost: true})
	}
}

// neverThere is something that there never was: a place, a person, a client, a hold.
func (h *history) neverThere() func(ids) proto.Message {
	name := "nobody " + h.next()
	return func(ids) proto.Message {
		return []proto.Message{
			&pb.PlaceAdded{Name: name, Kind: pb.PlaceKind_PLACE_KIND_FREEZER},
			&pb.PersonAdded{Name: name},
			&pb.ClientAdded{Name: &pb.Sealed{Plain: name}},
			&pb.BatchHeld{Product: lawProducts[0], Batch: "H-2207", Reason: name},
			&pb.DonorRecorded{Name: name},
		}[h.n%5]
	}
}

func drawHistory(random *rand.Rand) []truth {
	h := &history{random: random, at: time.Date(2026, 9, 1, 8, 0, 0, 0, time.UTC)}
	for range 3 {
		h.delivery()
		h.opened()
	}
	for range 25 {
		switch h.random.IntN(8) {
		case 0:
			h.delivery()
		case 1:
			h.opened()
		default:
			h.told()
		}
	}
	return h.out
}

// books is one of the two laptops.
type books struct {
	*entrytest.Laptop
	made ids
}

func newBooks(t *testing.T) *books {
	b := &books{entrytest.New(t), ids{}}
	b.Clock.SetWall(time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)) // all of it is typed afterwards
	b.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	for _, p := range lawPlaces {
		b.Must(&pb.PlaceAdded{Name: p, Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	}
	for _, p := range lawProducts {
		b.Must(&pb.ProductCard{Name: p, Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN})
	}
	return b
}

func (b *books) enter(at time.Time, m proto.Message) *pb.WriteResponse {
	b.T.Helper()
	b.Clock.Advance(time.Second)
	out, err := b.Write(b.T.Context(), &pb.WriteRequest{Entry: b.entry(m), OccurredAt: momentOf(at), Author: "M. Alder"})
	require.NoError(b.T, err)
	return out
}

// entry is a message as an entry; some are told as one, since two types share a message.
func (b *books) entry(m proto.Message) *pb.Entry {
	if e, ok := m.(*pb.Entry); ok {
		return e
	}
	return b.Entry(m)
}

// keep remembers what an entry made under the history's names.
func (b *books) keep(names, made []string) {
	for i := range min(len(names), len(made)) {
		b.made[names[i]] = made[i]
	}
}

// hears types the truth of a history and none of its ghosts.
func (b *books) hears(all []truth) {
	for _, t := range all {
		if !t.ghost {
			b.keep(t.made, b.enter(t.at, t.right(b.made)).Made)
		}
	}
}

// errs types a history with slips and ghosts. Each is put right later: some at once, some
// at the end, in any order. What makes bags or a case is put right at once where too few
// were typed, since the others are needed.
func (b *books) errs(random *rand.Rand, all []truth) {
	var later []func()
	for _, t := range all {
		slip := t.right
		wrong := !t.ghost && random.IntN(2) == 0
		at := t.at
		if wrong {
			slip = t.slips[random.IntN(len(t.slips))]
			at = at.Add(-time.Duration(random.IntN(2)*90) * time.Minute)
		}
		out := b.enter(at, slip(b.made))
		b.keep(t.made, out.Made)
		mend := func() { b.mend(random, t, out) }
		switch {
		case !wrong && !t.ghost:
		case len(out.Made) < len(t.made) || random.IntN(2) == 0:
			mend()
		default:
			later = append(later, mend)
		}
	}
	random.Shuffle(len(later), func(i, j int) { later[i], later[j] = later[j], later[i] })
	for _, mend := range later {
		mend()
	}
}

// mend voids a ghost, or puts the truth in place of a slip; now and then by way of another
// slip, whose time is right and is not told again.
func (b *books) mend(random *rand.Rand, t truth, out *pb.WriteResponse) {
	b.T.Helper()
	made := out.Made
	fix := func(c *pb.Corrected, instead proto.Message) {
		b.Clock.Advance(time.Second)
		c.Original, c.Reason = out.Record, "a slip"
		req := &pb.WriteRequest{Entry: b.Entry(c), Author: "M. Alder"}
		if instead != nil {
			req.Replacement = b.entry(instead)
		}
		fixed, err := b.Write(b.T.Context(), req)
		if err != nil { // bags that were handled meanwhile do not fall away by a slip in the count
			require.ErrorContains(b.T, err, "at least the bags that something else was told of")
			require.False(b.T, proto.Equal(t.right(b.made), instead), "the truth is never refused")
			return
		}
		made = append(made, fixed.Made...)
	}
	switch {
	case t.ghost:
		fix(&pb.Corrected{Void: true}, nil)
	case random.IntN(4) == 0:
		fix(&pb.Corrected{OccurredAt: momentOf(t.at)}, t.slips[random.IntN(len(t.slips))](b.made))
		fix(&pb.Corrected{}, t.right(b.made))
	default:
		fix(&pb.Corrected{OccurredAt: momentOf(t.at)}, t.right(b.made))
	}
	b.keep(t.made, made)
}

// unlike are the fields in which two laptops may differ: numbers of records, when it was
// typed, and what tells of the corrections themselves.
var unlike = map[protoreflect.Name]bool{
	"record": true, "records": true, "written_at": true, "freshness": true, "next": true, "marks": true, "was": true, "corrected": true, "no_proof": true, "not_yet_sent": true, "person": true,
}

// answers are the lists, files and counts of a laptop as lines of text, with the
// history's names in place of the numbers that were drawn.
func (b *books) answers() []string {
	b.T.Helper()
	ctx, names := b.T.Context(), b.namer()
	var out []string
	add := func(name string, m proto.Message, err error) {
		require.NoError(b.T, err, name)
		out = append(out, lines(name, m.ProtoReflect(), names)...)
	}
	stock, err := b.ListStock(ctx, &pb.ListStockRequest{All: true})
	add("stock", stock, err)
	past, err := b.ListStock(ctx, &pb.ListStockRequest{All: true, At: "2026-10-01T00:00:00Z"})
	add("stock of October", past, err)
	for _, by := range []string{"month", "place", "product", "person"} {
		use, err := b.ListUse(ctx, &pb.ListUseRequest{By: by})
		add("use by "+by, use, err)
	}
	for _, by := range []string{"", "place", "product"} {
		sum, err := b.GetBalance(ctx, &pb.GetBalanceRequest{From: "2026-09", To: "2026-10", By: by, Bags: true})
		add("balance by "+by, sum, err)
	}
	for _, by := range []string{"product", "batch", "donor", "age"} {
		reacted, err := b.ListReactions(ctx, &pb.ListReactionsRequest{By: by})
		add("reactions by "+by, reacted, err)
		results, err := b.ListResponses(ctx, &pb.ListResponsesRequest{By: by})
		add("results by "+by, results, err)
	}
	batches, err := b.ListBatches(ctx, &pb.ListBatchesRequest{})
	add("batches", batches, err)
	cases, err := b.ListCases(ctx, &pb.ListCasesRequest{})
	add("cases", cases, err)
	places, err := b.ListPlaces(ctx, &pb.ListPlacesRequest{})
	add("places", places, err)
	doubts, err := b.ListDiscrepancies(ctx, &pb.ListDiscrepanciesRequest{})
	add("discrepancies", doubts, err)
	late, err := b.ListLate(ctx, &pb.ListLateRequest{})
	add("late", late, err)
	people, err := b.ListPeople(ctx, &pb.ListPeopleRequest{})
	people.Devices = nil
	add("people", people, err)
	now, err := b.GetNow(ctx, &pb.GetNowRequest{})
	now.Now = ""
	add("now", now, err)
	for _, id := range b.made {
		if _, err := label.ParseBag(id); err == nil {
			bag, err := b.GetBag(ctx, &pb.GetBagRequest{Bag: id})
			bag.Timeline = nil
			add("a bag", bag, err)
			continue
		}
		of, err := b.GetCase(ctx, &pb.GetCaseRequest{Case: id})
		of.Timeline = nil
		add("a case", of, err)
	}
	slices.Sort(out)
	return out
}

// namer puts the history's names in place of numbers.
func (b *books) namer() *strings.Replacer {
	var pairs []string
	places, err := b.ListPlaces(b.T.Context(), &pb.ListPlacesRequest{})
	require.NoError(b.T, err)
	for _, p := range places.Places {
		pairs = append(pairs, p.Place, "place "+p.Name)
	}
	for name, id := range b.made {
		pairs = append(pairs, id, name, label.BagNumber(id).String(), name)
	}
	return strings.NewReplacer(pairs...)
}

// lines are the rows of an answer as text; what is not in a list is one line.
func lines(name string, m protoreflect.Message, names *strings.Replacer) (out []string) {
	head := proto.Clone(m.Interface()).ProtoReflect()
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.IsList() && f.Message() != nil {
			head.Clear(f)
			for i := range v.List().Len() {
				out = append(out, name+" "+string(f.Name())+": "+textOf(v.List().Get(i).Message(), names))
			}
		}
		return true
	})
	return append(out, name+": "+textOf(head, names))
}

// textOf is a message as text, without what two laptops may tell differently. Lists are
// sorted.
func textOf(m protoreflect.Message, names *strings.Replacer) string {
	var parts []string
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if unlike[f.Name()] || !m.Has(f) {
			continue
		}
		one := func(v protoreflect.Value) string {
			if f.Message() != nil {
				return "(" + textOf(v.Message(), names) + ")"
			}
			return names.Replace(v.String())
		}
		if !f.IsList() {
			parts = append(parts, fmt.Sprintf("%s=%s", f.Name(), one(m.Get(f))))
			continue
		}
		var items []string
		for j := range m.Get(f).List().Len() {
			items = append(items, one(m.Get(f).List().Get(j)))
		}
		slices.Sort(items)
		parts = append(parts, fmt.Sprintf("%s=%q", f.Name(), items))
	}
	return strings.Join(parts, " ")
}

// A correction never changes which bags and patients a batch reaches, nor loses a bag's
// number; a voided thing is in no list, file or count.
func TestLawCorrectedBooksAreRightBooks(t *testing.T) {
	for round := range uint64(testrun.Rounds(4, 25, 300)) {
		seed := testrun.Seed() + round
		all := drawHistory(rand.New(rand.NewPCG(seed, 1)))
		right, wrong := newBooks(t), newBooks(t)
		right.hears(all)
		wrong.errs(rand.New(rand.NewPCG(seed, 2)), all)
		want, got := right.answers(), wrong.answers()
		require.Empty(t, without(want, got), "lost by corrections, seed %d", seed)
		require.Empty(t, without(got, want), "left by slips and ghosts, seed %d", seed)
	}
}

// without are the lines of one list that another has not, as often as they come.
func without(all, of []string) (out []string) {
	n := map[string]int{}
	for _, line := range of {
		n[line]++
	}
	for _, line := range all {
		if n[line]--; n[line] < 0 {
			out = append(out, line)
		}
	}
	return out
}
