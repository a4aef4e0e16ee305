package query_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// A season of one practice: five vets, three laptops, some 150 bags and 60 foals. What
// truly happened to each bag is kept here by a plain counter of its own, which knows
// nothing of records and folds. The program hears of it late, out of order and on
// whichever laptop, with slips that are corrected, and with things that never happened
// and are voided; and must come to the same figures.

// happening is one true thing about a bag: where it is from then on, or how it left.
type happening struct {
	at     time.Time
	way    string // as the balance names it
	reason string
	place  string // after it; empty when it left
	who    string
}

// dose is what one transfusion gave, and rest what was thrown away.
type dose struct {
	at, until  time.Time // until is zero when nobody told the end
	who, place string
	foal       *foal
	ml         int64
}

type rest struct {
	at         time.Time
	who, place string
	ml         int64
}

type trueBag struct {
	number, product, batch string
	cost                   *int64
	ml                     int64
	borrowed               bool
	story                  []happening
	doses                  []dose
	rests                  []rest
	thawedFor              *foal // for whom it was thawed and not used
}

// count is a count of a place: how many bags were seen, and overlooked.
type count struct {
	at               time.Time
	place            string
	seen, overlooked int32
}

type foal struct{ id, dam, client, clientID, telephone, vet string }

type season struct {
	t       *testing.T
	random  *rand.Rand
	laptops []*entrytest.Laptop
	places  []string
	vets    []string
	bags    []*trueBag
	foals   []*foal
	counts  []count
	money   seasonMoney
	typed   []func(*entrytest.Laptop) // entries that are still to be typed, in whatever order, on whichever laptop
}

const (
	seasonOwner = "M. Alder"
	seasonZone  = "Australia/Sydney"
)

var (
	seasonProducts = []string{"Foal plasma", "Hyper plasma"}
	seasonReasons  = []pb.DiscardReason{
		pb.DiscardReason_DISCARD_REASON_BROKEN, pb.DiscardReason_DISCARD_REASON_EXPIRED, pb.DiscardReason_DISCARD_REASON_THAWED_NOT_USED,
	}
	seasonReasonWords = []string{"broken", "expired", "thawed_not_used"}
)

// newSeason founds a practice on the first laptop and lets the two others in.
func newSeason(t *testing.T, seed uint64) *season {
	s := &season{t: t, random: rand.New(rand.NewPCG(seed, 14)), places: []string{"clinic", "north car", "south car"}}
	for i := range 3 {
		l := entrytest.Named(t, fmt.Sprintf("laptop %d", i), byte(20+i))
		l.Clock.SetWall(time.Date(2027, 2, 1, 0, 0, i, 0, time.UTC)) // all of it is typed afterwards
		s.laptops = append(s.laptops, l)
	}
	first := s.laptops[0]
	first.Clock.SetWall(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	founded := first.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: seasonZone, Currency: "AUD", OwnerName: seasonOwner})
	for _, p := range s.places {
		first.Must(&pb.PlaceAdded{Name: p, Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	}
	for _, p := range seasonProducts {
		first.Must(&pb.ProductCard{Name: p, Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN})
	}
	for _, name := range []string{"A. Fenn", "S. Kaya", "J. Reed", "W. Cole", "P. Quist"} {
		enter(first, seasonOwner, first.Clock.Now(), first.Entry(&pb.PersonAdded{Name: name}))
		enter(first, seasonOwner, first.Clock.Now(), first.Entry(&pb.RoleGranted{Person: name, Roles: []pb.Role{pb.Role_ROLE_VET}}))
		s.vets = append(s.vets, name)
	}
	s.listsOfTheTime(first)
	first.Clock.SetWall(time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC))
	s.admit(first, founded)
	return s
}

// admit lets the other laptops in.
func (s *season) admit(first *entrytest.Laptop, founded *pb.WriteResponse) {
	s.t.Helper()
	grant, ok := event.ParseHash(founded.Record)
	require.True(s.t, ok)
	people, err := first.ListPeople(s.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(s.t, err)
	owner := people.People[slices.IndexFunc(people.People, func(p *pb.PersonRow) bool { return p.Name == seasonOwner })].Person
	for _, l := range s.laptops[1:] {
		_, err := first.Store.Append(s.t.Context(), store.Draft{Type: event.TypeDeviceAdded, Author: owner, Grant: grant[:],
			Payload: &pb.DeviceAdded{Device: l.Store.Device(), PublicKey: l.Store.PublicKey(), Name: l.Name}})
		require.NoError(s.t, err)
	}
	s.exchange()
}

// exchange lets every laptop hear what the others hold.
func (s *season) exchange() {
	s.t.Helper()
	for range 2 {
		for i, from := range s.laptops {
			hear(s.t, s.laptops[(i+1)%3], from)
		}
	}
}

// hear hands a laptop what another holds of each log.
func hear(t *testing.T, to, from *entrytest.Laptop) {
	t.Helper()
	for _, l := range from.Store.Logs() {
		next := uint64(0)
		if held, ok := to.Store.Log(l.ID); ok {
			next = held.Tip.Seq + 1
		}
		for next <= l.Tip.Seq {
			run, after, err := from.Store.ReadRun(t.Context(), l.ID, next, 1<<20)
			require.NoError(t, err)
			got, err := to.Store.Ingest(t.Context(), []*pb.Run{run})
			require.NoError(t, err)
			require.Nil(t, got[0].Refused)
			next = after
		}
	}
}

func momentOf(at time.Time) *pb.Moment {
	return &pb.Moment{UnixMs: at.UnixMilli(), Zone: seasonZone, Source: pb.TimeSource_TIME_SOURCE_TYPED}
}

// pick draws one of a list.
func pick[T any](s *season, of []T) T { return of[s.random.IntN(len(of))] }

// enter types an entry on a laptop.
func enter(l *entrytest.Laptop, who string, at time.Time, e *pb.Entry) *pb.WriteResponse {
	l.T.Helper()
	l.Clock.Advance(time.Second)
	out, err := l.Write(l.T.Context(), &pb.WriteRequest{Entry: e, OccurredAt: momentOf(at), Author: who})
	require.NoError(l.T, err)
	return out
}

// correct puts an entry right, or voids it when nothing stands instead.
func correct(l *entrytest.Laptop, who, record string, at time.Time, instead *pb.Entry) {
	l.T.Helper()
	l.Clock.Advance(time.Second)
	fix := &pb.Corrected{Original: record, Reason: "a slip", OccurredAt: momentOf(at), Void: instead == nil}
	_, err := l.Write(l.T.Context(), &pb.WriteRequest{Entry: l.Entry(fix), Replacement: instead, Author: who})
	require.NoError(l.T, err)
}

// later keeps an entry to be typed on whichever laptop: right at once, or with a slip that
// its author or the owner corrects.
func (s *season) later(who string, at time.Time, right, slip proto.Message) {
	wrong, day, by := slip != nil && s.random.IntN(3) == 0, s.random.IntN(2), who
	if s.random.IntN(2) == 0 {
		by = seasonOwner
	}
	s.typed = append(s.typed, func(l *entrytest.Laptop) {
		if !wrong {
			enter(l, who, at, l.Entry(right))
			return
		}
		first := enter(l, who, at.AddDate(0, 0, -day), l.Entry(slip))
		correct(l, by, first.Record, at, l.Entry(right))
	})
}

// never keeps something to be typed that did not happen, and is voided.
func (s *season) never(who string, at time.Time, ghost proto.Message) {
	s.typed = append(s.typed, func(l *entrytest.Laptop) {
		correct(l, who, enter(l, who, at, l.Entry(ghost)).Record, at, nil)
	})
}

// open opens a foal's case, with its client.
func (s *season) open(n int) {
	l := pick(s, s.laptops)
	f := &foal{dam: fmt.Sprintf("Mare %d", n), client: fmt.Sprintf("Client %d", n), telephone: fmt.Sprintf("02 5550 %04d", n), vet: pick(s, s.vets)}
	client := enter(l, f.vet, l.Clock.Now(), l.Entry(&pb.ClientAdded{Name: &pb.Sealed{Plain: f.client}, Telephone: &pb.Sealed{Plain: f.telephone}}))
	f.clientID = client.Made[0]
	f.id = enter(l, f.vet, l.Clock.Now(), l.Entry(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: f.dam, Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "none", ClockChecked: true, Client: f.clientID,
	})).Made[0]
	s.foals = append(s.foals, f)
}

// deliver brings bags in. Price, count and place may have been typed wrongly at first.
func (s *season) deliver(at time.Time, n int) {
	l, who := pick(s, s.laptops), pick(s, s.vets)
	place, product, batch := pick(s, s.places), pick(s, seasonProducts), fmt.Sprintf("K-%d", len(s.bags)/7)
	ml := pick(s, []int32{500, 950})
	cost := pick(s, []*int64{nil, proto.Int64(20_000 + s.random.Int64N(5_000)), proto.Int64(31_000)})
	way := pick(s, []string{"received", "received", "opening_stock", "borrowed"})
	delivery := func(count int, place string, cost *int64) *pb.Entry {
		return l.Named(map[bool]string{true: "opening_stock", false: "bags_received"}[way == "opening_stock"], &pb.BagsReceived{
			Product: product, Batch: batch, Expiry: "2029-01", VolumeMl: ml, Count: int32(count), Place: place, CostMinor: cost, Borrowed: way == "borrowed",
		})
	}
	right := delivery(n, place, cost)
	out := enter(l, who, at, delivery(n+s.random.IntN(2), pick(s, s.places), proto.Int64(1)))
	correct(l, who, out.Record, at, right)
	if s.random.IntN(4) == 0 { // a delivery that never came
		ghost := enter(l, who, at, delivery(2, place, cost))
		correct(l, who, ghost.Record, at, nil)
	}
	for _, number := range out.Made[:n] {
		s.bags = append(s.bags, &trueBag{
			number: number, product: product, batch: batch, cost: cost, ml: int64(ml), borrowed: way == "borrowed",
			story: []happening{{at: at, way: way, place: place, who: who}},
		})
	}
}

// live lets a bag go through what bags go through, at times of its own.
func (s *season) live(b *trueBag) {
	at := b.story[0].at
	for {
		at = at.Add(time.Duration(60+s.random.IntN(60*24*60)) * time.Minute)
		if at.After(time.Date(2026, 12, 20, 0, 0, 0, 0, time.UTC)) {
			return
		}
		if s.random.IntN(10) == 0 {
			s.ghost(b, at)
		}
		if at = s.step(b, at); b.place() == "" {
			return
		}
	}
}

func (b *trueBag) place() string { return b.story[len(b.story)-1].place }

func (b *trueBag) tell(h happening) { b.story = append(b.story, h) }

// ghost is something about a bag that never happened.
func (s *season) ghost(b *trueBag, at time.Time) {
	s.never(pick(s, s.vets), at.Add(-30*time.Minute), pick(s, []proto.Message{
		&pb.BagDiscarded{Bag: b.number, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}, &pb.BagMissing{Bag: b.number},
		&pb.BagsMoved{Bags: []string{b.number}, ToPlace: pick(s, s.places)}, &pb.BagsLent{Bags: []string{b.number}, ToPractice: "Fernhill"},
		&pb.TransfusionStarted{Bag: b.number, Case: pick(s, s.foals).id}, &pb.TransfusionEnded{Bag: b.number, Case: pick(s, s.foals).id, GivenMl: 300},
	}))
}

// step is the next thing that happens to a bag in stock, and says until when it took.
func (s *season) step(b *trueBag, at time.Time) time.Time {
	who, other, bags := pick(s, s.vets), pick(s, s.places), []string{b.number}
	out := func(way, reason string) { b.tell(happening{at, way, reason, "", who}) }
	switch s.random.IntN(14) {
	case 0, 1, 2, 3:
		if other != b.place() {
			b.tell(happening{at, "moved", "", other, who})
			s.later(who, at, &pb.BagsMoved{Bags: bags, ToPlace: other}, &pb.BagsMoved{Bags: []string{pick(s, s.bags).number}, ToPlace: pick(s, s.places)})
		}
	case 4:
		if b.borrowed {
			out("lent_back", "")
			s.later(who, at, &pb.BagsLent{Bags: bags, ToPractice: "Fernhill", GivenBack: true}, nil)
			break
		}
		out("lent", "")
		s.later(who, at, &pb.BagsLent{Bags: bags, ToPractice: "Fernhill"}, &pb.BagsLent{Bags: bags, ToPractice: "Fernhil"})
		return s.home(b, at)
	case 5:
		i := s.random.IntN(len(seasonReasons))
		out("discarded", seasonReasonWords[i])
		b.rests = append(b.rests, rest{at, who, b.placeAt(at), b.ml})
		if seasonReasonWords[i] == "thawed_not_used" {
			b.thawedFor = pick(s, s.foals)
			s.later(who, at.Add(-20*time.Minute), &pb.ThawStarted{Bag: b.number, Case: b.thawedFor.id, BathDc: proto.Int32(370)}, nil)
		}
		s.later(who, at, &pb.BagDiscarded{Bag: b.number, Reason: seasonReasons[i]}, &pb.BagDiscarded{Bag: b.number, Reason: seasonReasons[(i+1)%3]})
	case 6:
		out("missing", "")
		s.later(who, at, &pb.BagMissing{Bag: b.number}, &pb.BagMissing{Bag: b.number, Reason: "?"})
		if s.random.IntN(2) == 0 {
			at = at.Add(77 * time.Hour)
			b.tell(happening{at, "found", "", other, who})
			s.later(who, at, &pb.BagFound{Bag: b.number, Product: b.product, Batch: b.batch, Expiry: "2029-01", VolumeMl: int32(b.ml), Place: other}, nil)
		}
	case 7:
		out("kept_back", "")
		s.later(who, at, &pb.BagKeptBack{Bag: b.number, Reason: "reaction"}, nil)
		return s.home(b, at)
	case 8:
		out("returned", "")
		s.later(who, at, &pb.BagReturned{Bag: b.number, To: pb.ReturnTo_RETURN_TO_MAKER}, nil)
	default:
		s.give(b, at)
	}
	return at
}

// home brings a bag back that was lent or kept back, or leaves it there.
func (s *season) home(b *trueBag, at time.Time) time.Time {
	if s.random.IntN(3) == 0 {
		return at
	}
	at = at.Add(90 * time.Hour)
	who, place := pick(s, s.vets), pick(s, s.places)
	b.tell(happening{at, "back", "", place, who})
	s.later(who, at, &pb.BagReturned{Bag: b.number, To: pb.ReturnTo_RETURN_TO_FREEZER, Place: place}, nil)
	return at
}

// give gives a bag to a foal, in one session or two, and throws the rest away.
func (s *season) give(b *trueBag, at time.Time) {
	f := pick(s, s.foals)
	who, place := f.vet, b.place()
	b.tell(happening{at, "given", "", "", who})
	first, ended := int64(100+s.random.IntN(200)), at.Add(time.Hour)
	session := func(at, until time.Time, ml, sum int64) {
		b.doses = append(b.doses, dose{at, until, who, place, f, ml})
		s.later(who, at, &pb.TransfusionStarted{Bag: b.number, Case: f.id}, nil)
		s.later(who, until, &pb.TransfusionEnded{Bag: b.number, Case: f.id, GivenMl: int32(sum)}, &pb.TransfusionEnded{Bag: b.number, Case: f.id, GivenMl: int32(sum + 150)})
	}
	if s.random.IntN(9) == 0 { // nobody told the end
		b.doses = append(b.doses, dose{at, time.Time{}, who, place, f, 0})
		s.later(who, at, &pb.TransfusionStarted{Bag: b.number, Case: f.id}, nil)
		return
	}
	session(at, ended, first, first)
	if s.random.IntN(4) == 0 { // the end tells what was given of the bag in all
		session(ended.Add(30*time.Minute), ended.Add(time.Hour), 50, first+50)
		first += 50
	}
	if left := b.ml - first; s.random.IntN(2) == 0 {
		thrown := ended.Add(20 * time.Hour)
		who := pick(s, s.vets)
		b.rests = append(b.rests, rest{thrown, who, place, left})
		s.later(who, thrown, &pb.BagDiscarded{Bag: b.number, Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: proto.Int32(int32(left))}, nil)
	}
}

// counted counts a place, and now and then overlooks a bag.
func (s *season) counted(at time.Time) {
	place, c, told := pick(s, s.places), count{at: at}, []string{}
	for _, b := range s.bags {
		if b.placeAt(at) != place {
			continue
		}
		if s.random.IntN(12) == 0 {
			c.overlooked++
			continue
		}
		c.seen++
		told = append(told, b.number)
	}
	if c.place = place; c.seen > 0 {
		s.counts = append(s.counts, c)
		s.later(pick(s, s.vets), at, &pb.PlaceCounted{Place: place, BagsSeen: told}, nil)
	}
}

// placeAt is where the books are to have a bag just before a moment; empty: out of stock.
func (b *trueBag) placeAt(at time.Time) (place string) {
	for _, h := range b.story {
		if h.at.Before(at) {
			place = h.place
		}
	}
	return place
}

// figures are bags, mL by the label, and money.
type figures struct{ bags, ml, cost int64 }

// tally is one row of a balance.
type tally struct {
	opening, closing  figures
	lines             map[string]figures
	givenMl, thrownMl int64
	inUse             int32
	counted           *count
}

func (b *trueBag) figures() figures {
	f := figures{bags: 1, ml: b.ml}
	if b.cost != nil {
		f.cost = *b.cost
	}
	return f
}

func (f *figures) add(o figures) { f.bags, f.ml, f.cost = f.bags+o.bags, f.ml+o.ml, f.cost+o.cost }

// counter is the plain count: rows by group.
type counter map[string]*tally

func (c counter) row(group string) *tally {
	if c[group] == nil {
		c[group] = &tally{lines: map[string]figures{}}
	}
	return c[group]
}

func (c counter) line(group, name string, b *trueBag) {
	f := c.row(group).lines[name]
	f.add(b.figures())
	c.row(group).lines[name] = f
}

// groupOf is the row that something about a bag belongs to.
func (s *season) groupOf(by string, b *trueBag, place, who string) string {
	switch by {
	case "place":
		return place
	case "product":
		return b.product
	case "vet":
		return who
	}
	return "practice"
}

// count is the truth of a span, by place, product, vet or for the practice.
func (s *season) count(from, until time.Time, by string) counter {
	out := counter{}
	in := func(at time.Time) bool { return !at.Before(from) && at.Before(until) }
	for _, b := range s.bags {
		if by != "vet" {
			if p := b.placeAt(from); p != "" {
				out.row(s.groupOf(by, b, p, "")).opening.add(b.figures())
			}
			if p := b.placeAt(until); p != "" {
				out.row(s.groupOf(by, b, p, "")).closing.add(b.figures())
			}
		}
		before := ""
		for _, h := range b.story {
			if in(h.at) {
				s.countMove(out, by, b, before, h)
			}
			before = h.place
		}
		for _, d := range b.doses {
			if in(d.at) {
				out.row(s.groupOf(by, b, d.place, d.who)).givenMl += d.ml
			}
			if d.at.Before(until) && (d.until.IsZero() || !d.until.Before(until)) {
				out.row(s.groupOf(by, b, d.place, d.who)).inUse++
			}
		}
		for _, r := range b.rests {
			if in(r.at) {
				out.row(s.groupOf(by, b, r.place, r.who)).thrownMl += r.ml
			}
		}
	}
	for _, c := range s.counts {
		if by == "place" && in(c.at) && (out.row(c.place).counted == nil || out.row(c.place).counted.at.Before(c.at)) {
			out.row(c.place).counted = &c
		}
	}
	return out
}

func (s *season) countMove(out counter, by string, b *trueBag, before string, h happening) {
	name := h.way
	if h.reason != "" {
		name += "/" + h.reason
	}
	switch {
	case h.way == "moved":
		if by == "place" {
			out.line(before, "out moved_out", b)
			out.line(h.place, "in moved_in", b)
		}
	case h.place != "":
		out.line(s.groupOf(by, b, h.place, h.who), "in "+name, b)
	default:
		out.line(s.groupOf(by, b, before, h.who), "out "+name, b)
	}
}

// answered is the same of an answer of the program.
func answered(rows []*pb.BalanceRow) counter {
	out := counter{}
	for _, r := range rows {
		t := out.row(r.Group)
		t.opening, t.closing = figures{bags: int64(r.Opening), ml: r.OpeningMl}, figures{bags: int64(r.Closing), ml: r.ClosingMl}
		t.givenMl, t.thrownMl, t.inUse = r.GivenMl, r.ThrownMl, r.InUse
		if r.Counted != nil {
			at, _ := time.Parse(time.RFC3339, r.CountedAt)
			t.counted = &count{at, r.Group, *r.Counted, -*r.Difference}
		}
		for _, l := range r.Lines {
			name := "in " + l.Way
			if l.Out {
				name = "out " + l.Way
			}
			if l.Reason != "" {
				name += "/" + l.Reason
			}
			t.lines[name] = figures{int64(l.Bags), l.VolumeMl, l.CostMinor}
		}
	}
	return out
}

// settled leaves out what the balance does not tell of opening and closing, their cost,
// and puts moments into one zone.
func (c counter) settled() counter {
	for _, t := range c {
		t.opening.cost, t.closing.cost = 0, 0
		if t.counted != nil {
			c := *t.counted
			c.at = c.at.UTC().Truncate(time.Second)
			t.counted = &c
		}
	}
	return c
}

// typeAll types what is kept, in whatever order, on whichever laptop; they hear of each
// other now and then, and in the end.
func (s *season) typeAll() {
	s.random.Shuffle(len(s.typed), func(i, j int) { s.typed[i], s.typed[j] = s.typed[j], s.typed[i] })
	for i, entry := range s.typed {
		entry(pick(s, s.laptops))
		if i%97 == 0 {
			s.exchange()
		}
	}
	s.exchange()
}

// aSeason lets a season pass and types it.
func aSeason(t *testing.T, seed uint64) *season {
	s := newSeason(t, seed)
	start := time.Date(2026, 1, 3, 0, 0, 0, 0, s.zone())
	for i := range 60 {
		s.open(i)
	}
	for len(s.bags) < 150 {
		s.deliver(start.Add(time.Duration(s.random.IntN(300*24*60))*time.Minute), 1+s.random.IntN(6))
	}
	s.exchange()
	for _, b := range s.bags {
		s.live(b)
	}
	for range 60 {
		s.counted(start.Add(time.Duration(s.random.IntN(340*24*60)) * time.Minute))
	}
	s.priced()
	s.tested(start)
	s.typeAll()
	s.said()
	s.typeAll()
	s.invoiced()
	return s
}

func (s *season) zone() *time.Location {
	zone, err := time.LoadLocation(seasonZone)
	require.NoError(s.t, err)
	return zone
}

// Every figure of a season is the truth, on every laptop, at the end of every month.
func TestASeasonIsTheTruth(t *testing.T) {
	for round := range uint64(testrun.Rounds(1, 4, 40)) {
		seed := testrun.Seed() + round
		t.Logf("seed %d", seed)
		s := aSeason(t, seed)
		late := s.hearsInAnyOrder()
		for month := time.January; month <= time.December; month++ {
			for _, l := range []*entrytest.Laptop{pick(s, s.laptops), late} {
				s.checkMonth(l, time.Date(2026, month, 1, 0, 0, 0, 0, s.zone()))
			}
		}
		for _, l := range append(slices.Clone(s.laptops), late) {
			s.checkUse(l)
			s.checkPlasma(l)
			s.checkYear(l)
			s.checkRecall(l)
			requireFromEntities(t, l)
			s.checkCharges(l)
		}
	}
}

// hearsInAnyOrder is a laptop that hears of the whole season at once, its logs in whatever
// order and cut into whatever pieces.
func (s *season) hearsInAnyOrder() *entrytest.Laptop {
	l := entrytest.Named(s.t, "late laptop", 40)
	l.Clock.SetWall(s.laptops[0].Clock.Now())
	from := s.laptops[0].Store.Logs()
	next := map[event.LogID]uint64{}
	for len(from) > 0 {
		i := s.random.IntN(len(from))
		log := from[i]
		run, after, err := s.laptops[0].Store.ReadRun(s.t.Context(), log.ID, next[log.ID], 1<<(10+s.random.IntN(8)))
		require.NoError(s.t, err)
		got, err := l.Store.Ingest(s.t.Context(), []*pb.Run{run})
		require.NoError(s.t, err)
		require.Nil(s.t, got[0].Refused)
		if next[log.ID] = after; after > log.Tip.Seq {
			from = slices.Delete(from, i, i+1)
		}
	}
	return l
}

// checkUse asks for use and waste, by each grouping.
func (s *season) checkUse(l *entrytest.Laptop) {
	s.t.Helper()
	for _, by := range []string{"month", "place", "product", "person"} {
		out, err := l.ListUse(s.t.Context(), &pb.ListUseRequest{By: by})
		require.NoError(s.t, err)
		want, got := s.used(by), map[string]use{}
		for _, r := range out.Rows {
			got[r.Group] = use{int64(r.Received), int64(r.Given), int64(r.Discarded), int64(r.Missing), r.GivenMl, r.CostMinor, r.WasteMinor}
		}
		require.Equal(s.t, want, got, "use by %s", by)
	}
}

// checkPlasma adds up the rows of what became of plasma, asked for in small parts, and by
// month and place: they are use and waste again.
func (s *season) checkPlasma(l *entrytest.Laptop) {
	s.t.Helper()
	all := s.plasma(l, &pb.ListPlasmaRequest{Limit: 37})
	for by, group := range map[string]func(*pb.PlasmaRow) string{
		"month": func(r *pb.PlasmaRow) string { return r.At[:7] },
		"place": func(r *pb.PlasmaRow) string { return cmp.Or(r.Place, "place unknown") }, "person": (*pb.PlasmaRow).GetWho,
	} {
		got := map[string]use{}
		for _, r := range all {
			u := got[group(r)]
			switch r.Kind {
			case "given":
				u.givenMl, u.cost = u.givenMl+int64(r.GetVolumeMl()), u.cost+r.GetCostMinor()
			case "discarded", "missing":
				u.waste += r.GetCostMinor()
			}
			got[group(r)] = u
		}
		for name, want := range s.used(by) {
			want = use{givenMl: want.givenMl, cost: want.cost, waste: want.waste}
			require.Equal(s.t, want, got[name], "plasma by %s: %s", by, name)
		}
	}
	march := s.plasma(l, &pb.ListPlasmaRequest{From: "2026-03", Kind: "given"})
	require.Equal(s.t, march, slices.DeleteFunc(slices.Clone(all), func(r *pb.PlasmaRow) bool {
		return r.Kind != "given" || r.At[:7] != "2026-03"
	}))
}

// plasma asks for all rows, part by part; each stands once, in the order in which it happened.
func (s *season) plasma(l *entrytest.Laptop, req *pb.ListPlasmaRequest) (rows []*pb.PlasmaRow) {
	s.t.Helper()
	for {
		out, err := l.ListPlasma(s.t.Context(), req)
		require.NoError(s.t, err)
		rows = append(rows, out.Rows...)
		if req.After = out.Next; out.Next == "" {
			require.True(s.t, slices.IsSortedFunc(rows, func(x, y *pb.PlasmaRow) int {
				return momentAt(s.t, x.At).Compare(momentAt(s.t, y.At))
			}))
			return rows
		}
	}
}

func momentAt(t *testing.T, text string) time.Time {
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return at
}

// use is one row of use and waste.
type use struct{ received, given, discarded, missing, givenMl, cost, waste int64 }

// used is the truth of use and waste over all time.
func (s *season) used(by string) map[string]use {
	out := map[string]use{}
	put := func(b *trueBag, at time.Time, place, who string, change func(*use)) {
		group := map[string]string{"month": at.In(s.zone()).Format("2006-01"), "place": place, "product": b.product, "person": who}[by]
		u := out[group]
		change(&u)
		out[group] = u
	}
	for _, b := range s.bags {
		cost, first, last := b.figures().cost, b.story[0], b.story[len(b.story)-1]
		put(b, first.at, first.place, first.who, func(u *use) { u.received++ })
		for i, d := range b.doses {
			put(b, d.at, d.place, d.who, func(u *use) {
				u.givenMl += d.ml
				if i == 0 {
					u.given, u.cost = u.given+1, u.cost+cost
				}
			})
		}
		switch last.way {
		case "discarded":
			put(b, last.at, b.placeAt(last.at), last.who, func(u *use) { u.discarded, u.waste = u.discarded+1, u.waste+cost })
		case "missing":
			put(b, last.at, b.placeAt(last.at), last.who, func(u *use) { u.missing, u.waste = u.missing+1, u.waste+cost })
		}
	}
	return out
}

func (s *season) checkMonth(l *entrytest.Laptop, from time.Time) {
	s.t.Helper()
	until, month := from.AddDate(0, 1, 0), from.Format("2006-01")
	for _, by := range []string{"", "place", "product", "vet"} {
		out, err := l.GetBalance(s.t.Context(), &pb.GetBalanceRequest{From: month, By: by})
		require.NoError(s.t, err)
		require.True(s.t, out.Ties)
		want, got := s.count(from, until, by).settled(), answered(out.Rows).settled()
		require.Equal(s.t, want, got, "%s by %s", month, by)
		for _, row := range out.Rows {
			if by != "vet" {
				tiesOut(s.t, row)
			}
		}
	}
	s.checkStock(l, until)
}

// checkYear asks for all months at once.
func (s *season) checkYear(l *entrytest.Laptop) {
	s.t.Helper()
	out, err := l.GetBalance(s.t.Context(), &pb.GetBalanceRequest{From: "2026-01", To: "2026-12", By: "month"})
	require.NoError(s.t, err)
	want := counter{}
	for month := time.January; month <= time.December; month++ {
		from := time.Date(2026, month, 1, 0, 0, 0, 0, s.zone())
		want[from.Format("2006-01")] = s.count(from, from.AddDate(0, 1, 0), "").row("practice")
	}
	require.Equal(s.t, want.settled(), answered(out.Rows))
	for i, row := range out.Rows {
		tiesOut(s.t, row)
		if i > 0 {
			require.Equal(s.t, out.Rows[i-1].Closing, row.Opening, "a month begins as the last one ended")
		}
	}
}

// tiesOut adds a row up, in bags and in mL.
func tiesOut(t *testing.T, row *pb.BalanceRow) {
	t.Helper()
	bags, ml := row.Opening, row.OpeningMl
	for _, l := range row.Lines {
		sign := int32(1)
		if l.Out {
			sign = -1
		}
		bags, ml = bags+sign*l.Bags, ml+int64(sign)*l.VolumeMl
	}
	require.Equal(t, row.Closing, bags, "it ties out in bags")
	require.Equal(t, row.Book, row.Opening+row.Received+row.OpeningStock+row.Borrowed+row.Found+row.Back+row.Seen+row.NotReceived+row.MovedIn-
		row.MovedOut-row.Given-row.Discarded-row.Lent-row.LentBack-row.Returned-row.KeptBack-row.Missing, "by the names of the lines too")
	require.Equal(t, row.ClosingMl, ml, "and in mL")
}

// checkStock asks what lay where at a moment past.
func (s *season) checkStock(l *entrytest.Laptop, at time.Time) {
	s.t.Helper()
	listed, err := l.ListStock(s.t.Context(), &pb.ListStockRequest{At: at.Add(-time.Millisecond).Format(time.RFC3339Nano)})
	require.NoError(s.t, err)
	var want, got []string
	for _, b := range s.bags {
		if place := b.placeAt(at); place != "" {
			want = append(want, b.number+" "+place)
		}
	}
	for _, b := range listed.Bags {
		got = append(got, b.Bag+" "+b.Place)
	}
	require.ElementsMatch(s.t, want, got, "stock at %s", at)
	s.checkGroups(l, at)
}

// alike is what the bags of one row of the grouped stock have in common.
type alike struct{ place, product, batch string }

// checkGroups asks for the same stock by groups: each bag in one row, with its like alone,
// and sums that tie out by place.
func (s *season) checkGroups(l *entrytest.Laptop, at time.Time) {
	s.t.Helper()
	want, there := map[alike]figures{}, map[string]figures{}
	for _, b := range s.bags {
		if place := b.placeAt(at); place != "" {
			addTo(want, alike{place, b.product, b.batch}, 1, b.ml)
			addTo(there, place, 1, b.ml)
		}
	}
	out, err := l.ListStock(s.t.Context(), &pb.ListStockRequest{At: at.Add(-time.Millisecond).Format(time.RFC3339Nano), Grouped: true})
	require.NoError(s.t, err)
	got, sums, seen := map[alike]figures{}, map[string]figures{}, map[string]bool{}
	for _, g := range out.Groups {
		require.Len(s.t, g.Bags, int(g.Count))
		require.Equal(s.t, g.Count*g.EachMl, g.TotalMl)
		for _, bag := range g.Bags {
			require.False(s.t, seen[bag], "%s stands in two rows", bag)
			seen[bag] = true
		}
		addTo(got, alike{g.Place, g.Product, g.Batch}, int64(g.Count), int64(g.TotalMl))
	}
	for _, sum := range out.Sums {
		addTo(sums, sum.Place, int64(sum.Count), int64(sum.TotalMl))
	}
	require.Equal(s.t, want, got, "rows of the stock at %s", at)
	require.Equal(s.t, there, sums, "sums by place at %s", at)
}

func addTo[K comparable](of map[K]figures, key K, bags, ml int64) {
	f := of[key]
	f.add(figures{bags: bags, ml: ml})
	of[key] = f
}
