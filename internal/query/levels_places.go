package query

import (
	"cmp"
	"math"
	"slices"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// carPlace is a place from which bags go to patients: the freezer of a car, or one from
// which a mare's foal would get its bags.
type carPlace struct {
	id     string
	share  float64 // of the nights that belong to no place of their own
	nights engine.SpanDemand
	bags   []stockedBag
	hold   int
	row    *pb.PlaceLevel
}

// sharePlaces shares today's bags and sets over the cars; what the cars do not need until
// they are filled again stays in the clinic.
func (l *levels) sharePlaces() error {
	cars, stores, err := l.places()
	if err != nil || len(cars)+len(stores) == 0 {
		return err
	}
	for _, c := range cars {
		if err := l.nightsOf(c); err != nil {
			return err
		}
	}
	perNight := l.bagsPerNight()
	if len(cars) > 0 {
		if err := l.split(cars, perNight); err != nil {
			return err
		}
	}
	l.keepRest(cars, stores)
	for _, c := range slices.Concat(cars, stores) {
		if err := l.expiryOf(c); err != nil {
			return err
		}
		l.out.Places = append(l.out.Places, c.row)
	}
	l.suggestMoves(slices.Concat(cars, stores))
	return nil
}

// places are the cars, and the other places where bags lie, by name.
func (l *levels) places() (cars, stores []*carPlace, err error) {
	mares, total := map[string]bool{}, 0
	for _, m := range l.mares {
		mares[m.placeID] = true
	}
	err = l.b.Each(event.KindPlace, func(s ledger.State) (bool, error) {
		p := s.(*ledger.Place)
		c := &carPlace{id: p.Entity.ID, row: &pb.PlaceLevel{Place: p.Name, PlaceId: p.Entity.ID}}
		for _, bag := range l.bags {
			if bag.line.Place == c.id {
				c.bags = append(c.bags, bag)
				l.placed++
			}
		}
		c.row.Has, c.row.KitHas, c.row.BagsUsed = int32(len(c.bags)), int32(l.kits[c.id]), int32(l.past.places[c.id])
		switch {
		case p.Kind == pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER || mares[c.id]:
			cars = append(cars, c)
			total += l.past.places[c.id]
		case p.Kind == pb.PlaceKind_PLACE_KIND_FREEZER || len(c.bags) > 0:
			c.row.Store = true
			stores = append(stores, c)
		}
		return len(cars) < maxCars, nil
	})
	byName := func(x, y *carPlace) int {
		return cmp.Or(cmp.Compare(x.row.Place, y.row.Place), cmp.Compare(x.id, y.id))
	}
	slices.SortFunc(cars, byName)
	slices.SortFunc(stores, func(x, y *carPlace) int { return cmp.Or(cmp.Compare(y.row.Has, x.row.Has), byName(x, y)) })
	for _, c := range cars { // each car had one night more than was seen, so that a new one is not left empty
		c.share = float64(l.past.places[c.id]+1) / float64(total+len(cars))
		c.row.Share = c.share
	}
	return cars, stores, err
}

// maxCars bounds the places that bags are shared over.
const maxCars = 60

// nightsOf is how many nights will want plasma from a place until it is filled again.
func (l *levels) nightsOf(c *carPlace) error {
	in := l.demandOf(c)
	in.BagsPerFoal, in.OtherAWeek = nil, l.past.nightsAWeek()*c.share
	nights, err := engine.DemandUntil(in, int(l.out.RefillDays))
	c.nights = nights
	return err
}

// demandOf is the demand of one place: of mares that are its own, and its share of those
// that are nobody's and of other uses.
func (l *levels) demandOf(c *carPlace) engine.DemandWeeksInput {
	in := engine.DemandWeeksInput{Alpha: l.demand.Alpha, Beta: l.demand.Beta, BagsPerFoal: l.demand.BagsPerFoal, OtherAWeek: l.demand.OtherAWeek * c.share}
	for _, m := range l.mares {
		due := m.due
		switch {
		case m.row.State != mareAwaited:
			continue
		case m.placeID == "":
			due.Elsewhere = 1 - c.share
		case m.placeID != c.id:
			continue
		}
		in.Mares = append(in.Mares, due)
	}
	return in
}

// nightsAWeek is how many other patients a week had bags.
func (p *past) nightsAWeek() float64 { return float64(len(p.other.cases)) / p.weeks() }

// bagsPerNight is what a night takes: the mean of the bags for a foal, and no less than one.
func (l *levels) bagsPerNight() int {
	mean := 0.0
	for n, p := range l.demand.BagsPerFoal {
		mean += float64(n) * p
	}
	return max(1, int(math.Round(mean)))
}

// split shares what there is over the cars, and no more than their nights ask for.
func (l *levels) split(cars []*carPlace, perNight int) error {
	in, want := engine.SplitInput{BagsPerNight: perNight}, 0
	kits := 0
	for _, n := range l.kits {
		kits += n
	}
	for _, c := range cars {
		in.Places = append(in.Places, c.nights)
		want += c.nights.AtLeast(l.out.Service)
	}
	in.Bags, in.Kits = min(l.placed, want*perNight), min(kits, want)
	if kits == 0 { // nobody keeps books of sets: bags alone are shared
		in.Kits = want
	}
	r, err := engine.Split(in)
	if err != nil {
		return err
	}
	l.heard(r.Basis)
	for i, c := range cars {
		c.hold = r.Shares[i].Bags
		c.row.Hold, c.row.ExpectedShortage = int32(c.hold), r.Shares[i].NightsWithout
		if kits > 0 {
			c.row.KitHold = int32(r.Shares[i].Kits)
		}
	}
	return nil
}

// keepRest leaves what the cars do not take where it lies; what cannot stay goes to the
// store that has most.
func (l *levels) keepRest(cars, stores []*carPlace) {
	rest := l.placed
	for _, c := range cars {
		rest -= c.hold
	}
	for _, s := range stores {
		s.hold = min(rest, len(s.bags))
		rest -= s.hold
	}
	switch {
	case rest > 0 && len(stores) > 0:
		stores[0].hold += rest
	case rest > 0 && len(cars) > 0: // there is no store: bags stay in the cars where they lie
		for _, c := range cars {
			more := min(rest, max(0, len(c.bags)-c.hold))
			c.hold, rest = c.hold+more, rest-more
		}
	}
	for _, c := range slices.Concat(cars, stores) {
		c.row.Hold = int32(c.hold)
	}
}

// expiryOf is what would expire at a place if its bags stayed there.
func (l *levels) expiryOf(c *carPlace) error {
	expiring := expiringBy(c.bags, len(l.weeks))
	last := 0
	for w, n := range expiring {
		if n > 0 {
			last = w + 1
		}
	}
	if last == 0 {
		return nil
	}
	demand := l.weeks[:last]
	if !c.row.Store {
		in := l.demandOf(c)
		in.Weeks = last
		var err error
		if demand, err = engine.WeeksAlone(in); err != nil {
			return err
		}
	}
	off, err := engine.WriteOffs(demand, expiring[:last])
	for _, x := range off {
		c.row.ExpectedWriteOff += x
	}
	return err
}

// suggestMoves carries bags from where there are more than should be to where there are
// fewer; those that expire first go to where they are wanted first.
func (l *levels) suggestMoves(places []*carPlace) {
	spare := map[*carPlace]int{}
	for _, p := range places {
		spare[p] = len(p.bags) - p.hold
	}
	for _, to := range places {
		for _, from := range places {
			n := min(spare[from], -spare[to])
			if n <= 0 {
				continue
			}
			move := &pb.SuggestedMove{From: from.row.Place, To: to.row.Place, ToId: to.id}
			for _, bag := range from.bags[:n] {
				move.Bags = append(move.Bags, bag.line.ID)
			}
			from.bags = from.bags[n:]
			spare[from], spare[to] = spare[from]-n, spare[to]+n
			move.Text = wording.Plural(n, "bag") + " from " + move.From + " to " + move.To
			l.out.Moves = append(l.out.Moves, move)
		}
	}
}
