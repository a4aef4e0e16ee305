// Package nights invents the records of a practice, the same ones in every run.
//
// A night is a foal that is treated: a case is opened, examined, weighed and
// tested, one or two bags are thawed and run in with vitals every few minutes,
// and the case is closed, with a line of the freezer's temperature on every
// seventh night. That makes about 35 records of about 300 bytes. The freezer
// holds a fortnight's bags: whenever a batch's worth is used, another comes. They
// go through store.Append as any entry does, one call a night, so that they have
// the size of real ones, and no entity is touched by more than 40 of them.
package nights

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// seed makes every run of the generator write the same nights.
var seed = [32]byte([]byte("thawtrail bench: nights, seed 1 "))

// Spacing of the nights: a million records are about ten years of ten vets.
const (
	nightEvery  = 200 * time.Minute
	recordEvery = 30 * time.Second
	bagsOfBatch = 12
	// stockBags is what lies in the freezer: what some fifteen days of seven foals
	// use.
	stockBags = 12 * bagsOfBatch
)

// First is when the first night begins.
var First = time.Date(2016, 1, 1, 18, 0, 0, 0, time.UTC)

// Clock moves by recordEvery whenever it is read, as if people typed.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// NewClock is a clock that stands at t.
func NewClock(t time.Time) *Clock { return &Clock{now: t} }

// Now is a moment later than the last one.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(recordEvery)
	return c.now
}

// Monotonic is how long the clock has gone since First.
func (c *Clock) Monotonic() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now.Sub(First)
}

// from begins the next night, unless the last one still goes on.
func (c *Clock) from(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now.Before(t) {
		c.now = t
	}
}

// generator writes records into a store.
type generator struct {
	rng   *rand.Rand
	src   *rand.ChaCha8
	clock *Clock
	store *store.Store

	vet              string
	grant            []byte
	freezer, product string
	bags             []string // in stock
	batch            string
	batches, night   int
	lastCase         string
	batchOf          map[string]string // of the bags in stock
}

// Known are ids of the generated practice that questions ask about.
type Known struct {
	Place   string // the freezer
	Case    string // the last one
	Batch   string // the last one
	Product string
}

// Write begins a stock and fills a store of a founded practice to n records. The
// store must read its time from the clock.
func Write(ctx context.Context, s *store.Store, c *Clock, n int64) (Known, error) {
	src := rand.NewChaCha8(seed)
	g := &generator{rng: rand.New(src), src: src, clock: c, store: s, batchOf: map[string]string{}}
	if err := g.begin(ctx); err != nil {
		return Known{}, err
	}
	for left := n - s.Records(); left > 0; left = n - s.Records() {
		c.from(First.Add(time.Duration(g.night) * nightEvery))
		drafts := g.next()
		if _, err := s.Append(ctx, drafts[:min(int64(len(drafts)), left)]...); err != nil {
			return Known{}, err
		}
	}
	return g.known(), nil
}

// id is a random id such as the services make.
func (g *generator) id() string { return fmt.Sprintf("%016x", g.rng.Uint64()) }

func (g *generator) draft(t event.Type, m proto.Message) store.Draft {
	return store.Draft{
		Type: t, Payload: m, Author: g.vet, Grant: g.grant,
		Proof: &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE},
	}
}

// typeOf finds the event type by its name in the contract.
func typeOf(name string) event.Type {
	for _, s := range event.All() {
		if s.Name == name {
			return s.Type
		}
	}
	panic("nights: no event type " + name)
}

// Owner reads who the practice's owner is, and the founding that gives the right.
func Owner(ctx context.Context, s *store.Store) (person string, grant []byte, err error) {
	err = s.View(ctx, func(v *store.Snapshot) error {
		rights, err := v.Rights()
		if err == nil && !rights.Founded() {
			err = errors.New("there is no practice to write the nights of")
		}
		if err == nil {
			person, grant = rights.Founding.Owner, rights.Founding.Record[:]
		}
		return err
	})
	return person, grant, err
}

// begin adds the place and the product that all nights share.
func (g *generator) begin(ctx context.Context) error {
	var err error
	if g.vet, g.grant, err = Owner(ctx, g.store); err != nil {
		return err
	}
	g.freezer, g.product = g.id(), g.id()
	_, err = g.store.Append(ctx,
		g.draft(typeOf("place_added"), &pb.PlaceAdded{Place: g.freezer, Name: "clinic freezer", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}),
		g.draft(typeOf("product_card"), &pb.ProductCard{Product: g.product, Name: "Foal plasma", Maker: "Hollow Hill", Version: 1,
			Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, VolumeMl: new(int32(950)), StorageMaxDc: new(int32(-180))}))
	return err
}

// next is one night.
func (g *generator) next() []store.Draft {
	g.night++
	var out []store.Draft
	add := func(name string, m proto.Message) { out = append(out, g.draft(typeOf(name), m)) }
	if g.night%7 == 0 {
		add("temperature_read", &pb.TemperatureRead{Place: g.freezer, NowDc: -200 - g.rng.Int32N(30), MostDc: new(-190 - g.rng.Int32N(5))})
	}
	for len(g.bags) <= stockBags-bagsOfBatch {
		g.deliver(add)
	}
	use := 1 + g.rng.IntN(2)
	bags := g.bags[:use]
	g.bags = g.bags[use:]
	g.arrive(add, bags)
	for i, bag := range bags {
		g.give(add, bag, i == 0)
	}
	g.leave(add)
	return out
}

// adder adds a fact to the night by its name in the contract.
type adder func(name string, m proto.Message)

func (g *generator) deliver(add adder) {
	g.batches++
	g.batch = fmt.Sprintf("H%05d", g.batches)
	m := &pb.BagsReceived{Product: g.product, Batch: g.batch, Expiry: "2030-06", VolumeMl: 950, Count: bagsOfBatch, Place: g.freezer,
		IggCgPerL: new(int32(2200)), CostMinor: new(int64(21000))}
	for range bagsOfBatch {
		bag, err := label.NewBagNumber(g.src)
		if err != nil {
			panic("nights: the seeded source ended: " + err.Error())
		}
		m.Bags = append(m.Bags, string(bag))
		g.batchOf[string(bag)] = g.batch
	}
	g.bags = append(g.bags, m.Bags...)
	add("bags_received", m)
}

func (g *generator) arrive(add adder, bags []string) {
	id := g.id()
	g.lastCase = id
	dam := fmt.Sprintf("Mare %d", g.night)
	add("case_opened", &pb.CaseOpened{Case: id, Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam, DamKey: event.DamKey("", "", dam),
		Sex: pb.Sex_SEX_COLT, Colour: "bay", Markings: "star", Box: fmt.Sprint(g.rng.IntN(20)), BornAt: &pb.Moment{UnixMs: First.UnixMilli()}})
	add("risk_asked", &pb.RiskAsked{Case: id, JaundicedFoalBefore: pb.Answer_ANSWER_NO, PositiveScreen: pb.Answer_ANSWER_UNKNOWN,
		DonkeySire: pb.Answer_ANSWER_NO, YellowOrRedUrine: pb.Answer_ANSWER_NO})
	add("patient_examined", &pb.PatientExamined{Case: id, TemperatureDc: new(g.about(383, 8)), HeartRate: new(g.about(96, 12)), BreathingRate: new(g.about(36, 8))})
	add("patient_weighed", &pb.PatientWeighed{Case: id, WeightG: g.about(50000, 6000), Method: pb.WeightMethod_WEIGHT_METHOD_TAPE})
	add("igg_tested", &pb.IggTested{Case: id, Kind: "barn immunoassay", IggCgPerL: new(g.about(350, 200))})
	add("estimate_agreed", &pb.EstimateAgreed{Case: id, AmountMinor: new(int64(90000)), By: "the owner", How: "by telephone"})
	add("plan_accepted", &pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: int32(950 * len(bags)), Bags: bags, PlateauMlPerH: new(int32(1000))})
	add("catheter_placed", &pb.CatheterPlaced{Case: id, Gauge: 16, Site: "left jugular"})
}

// about is a number near the middle.
func (g *generator) about(middle, spread int32) int32 {
	return middle - spread + g.rng.Int32N(2*spread+1)
}

func (g *generator) give(add adder, bag string, first bool) {
	id := g.lastCase
	add("bath_checked", &pb.BathChecked{Case: id, Bag: bag, LabelRead: true, BatchAndExpiryMatch: true, BagWhole: true, NoHoldKnown: true,
		IggKnownOrWaived: true, AgreementGiven: true})
	add("thaw_started", &pb.ThawStarted{Bag: bag, Case: id, BathDc: new(g.about(370, 10)), WaterLX10: new(int32(150)), Place: g.freezer})
	add("bath_measured", &pb.BathMeasured{Bag: bag, BathDc: g.about(340, 10)})
	add("bag_thawed", &pb.BagThawed{Bag: bag, BagDc: new(g.about(330, 20))})
	add("hang_checked", &pb.HangChecked{Case: id, Bag: bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true,
		WholeWhenSqueezed: true, FilteredSet: true, SpareSet: true, ReactionCardInReach: true, BaselineVitals: true})
	add("vitals_noted", g.vitals(id, 0, first))
	add("set_attached", &pb.SetAttached{Bag: bag, Case: id})
	add("transfusion_started", &pb.TransfusionStarted{Bag: bag, Case: id, Product: g.product, Batch: g.batchOf[bag], Place: g.freezer})
	add("rate_set", &pb.RateSet{Case: id, MlPerH: 75, SlowStage: true, DropsPerMin: new(int32(19)), Bag: bag})
	rounds := 5
	if !first {
		rounds = 2
	}
	for i := range rounds {
		add("vitals_noted", g.vitals(id, int32(20+i*150), false))
	}
	add("rate_set", &pb.RateSet{Case: id, MlPerH: 1000, Bag: bag})
	add("finished", &pb.TransfusionEnded{Bag: bag, Case: id, GivenMl: 940})
	delete(g.batchOf, bag)
}

func (g *generator) vitals(id string, given int32, baseline bool) *pb.VitalsNoted {
	return &pb.VitalsNoted{Case: id, TemperatureDc: new(g.about(383, 8)), HeartRate: new(g.about(96, 12)),
		BreathingRate: new(g.about(36, 8)), GivenMl: new(given), Baseline: baseline}
}

func (g *generator) leave(add adder) {
	id := g.lastCase
	add("recheck_planned", &pb.RecheckPlanned{Case: id, Person: g.vet, DueAt: &pb.Moment{UnixMs: First.UnixMilli()}})
	add("catheter_removed", &pb.CatheterRemoved{Case: id, Site: "left jugular"})
	add("igg_rechecked", &pb.IggTested{Case: id, Kind: "barn immunoassay", IggCgPerL: new(g.about(950, 200))})
	add("case_closed", &pb.CaseClosed{Case: id, Outcome: pb.Outcome_OUTCOME_WELL})
}

// known says what questions can ask about.
func (g *generator) known() Known {
	return Known{Place: g.freezer, Case: g.lastCase, Batch: g.batch, Product: g.product}
}
