package query_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// The truth of a year is kept here by a plain counter of its own: for each bag, what
// happened to it and when. The program hears of it late, out of order, with slips that
// are corrected and entries that are voided, and must come to the same figures.

// happening is one true thing about a bag: where it is from then on, or how it left.
type happening struct {
	at    time.Time
	way   string // as the balance names it
	place string // after it; empty when it left
}

type trueBag struct {
	number string
	cost   int64
	story  []happening
}

const bagMl = 950

// year writes a year of one practice on a laptop and keeps the truth beside it.
type year struct {
	*entrytest.Laptop
	random *rand.Rand
	places []string
	bags   []*trueBag
	typed  []func() // entries that are still to be typed, in whatever order
	foal   string
}

func newYear(t *testing.T, seed uint64) *year {
	y := &year{Laptop: entrytest.New(t), random: rand.New(rand.NewPCG(seed, 14)), places: []string{"clinic", "north car", "south car"}}
	y.Clock.SetWall(time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC)) // all of it is typed afterwards
	y.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	for _, p := range y.places {
		y.Must(&pb.PlaceAdded{Name: p, Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	}
	y.Must(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN})
	y.foal = y.Foal()
	return y
}

func (y *year) enter(at time.Time, m proto.Message) *pb.WriteResponse {
	y.T.Helper()
	out, err := y.Write(y.T.Context(), &pb.WriteRequest{Entry: y.Entry(m), OccurredAt: momentOf(at)})
	require.NoError(y.T, err)
	return out
}

func momentOf(at time.Time) *pb.Moment {
	return &pb.Moment{UnixMs: at.UnixMilli(), Zone: "Australia/Sydney", Source: pb.TimeSource_TIME_SOURCE_TYPED}
}

// wrong types an entry with a slip and puts it right afterwards, or types it well.
func (y *year) wrong(at time.Time, right, slip proto.Message) {
	if y.random.IntN(3) > 0 {
		y.enter(at, right)
		return
	}
	first := y.enter(at.Add(-24*time.Hour), slip)
	_, err := y.Write(y.T.Context(), &pb.WriteRequest{
		Entry:       y.Entry(&pb.Corrected{Original: first.Record, Reason: "slip", OccurredAt: momentOf(at)}),
		Replacement: y.Entry(right),
	})
	require.NoError(y.T, err)
}

// deliver brings bags in. Price, count and place may have been typed wrongly at first.
func (y *year) deliver(at time.Time) {
	n, place, cost := 1+y.random.IntN(4), y.random.IntN(3), int64(20_000+y.random.IntN(5_000))
	delivery := func(count int, place string, cost int64) *pb.BagsReceived {
		return &pb.BagsReceived{Product: "Foal plasma", Batch: fmt.Sprintf("K-%d", len(y.bags)), Expiry: "2029-01", VolumeMl: bagMl, Count: int32(count), Place: place, CostMinor: &cost}
	}
	right := delivery(n, y.places[place], cost)
	out := y.enter(at, delivery(n+y.random.IntN(2), y.places[y.random.IntN(3)], cost+1))
	_, err := y.Write(y.T.Context(), &pb.WriteRequest{Entry: y.Entry(&pb.Corrected{Original: out.Record, Reason: "count and price"}), Replacement: y.Entry(right)})
	require.NoError(y.T, err)
	if y.random.IntN(4) == 0 { // a delivery that never came
		ghost := y.enter(at, delivery(2, y.places[place], cost))
		y.Must(&pb.Corrected{Original: ghost.Record, Void: true, Reason: "typed twice"})
	}
	for _, number := range out.Made[:n] {
		y.bags = append(y.bags, &trueBag{number: number, cost: cost, story: []happening{{at, "received", y.places[place]}}})
	}
}

// live lets a bag go through what bags go through, at times of its own.
func (y *year) live(b *trueBag) {
	at := b.story[0].at
	for {
		at = at.Add(time.Duration(1+y.random.IntN(60*24)) * time.Hour)
		last := b.story[len(b.story)-1]
		if at.After(time.Date(2026, 12, 20, 0, 0, 0, 0, time.UTC)) {
			return
		}
		other := y.places[y.random.IntN(3)]
		var right, slip proto.Message
		switch y.random.IntN(8) {
		case 0, 1, 2:
			if other == last.place {
				continue
			}
			b.story = append(b.story, happening{at, "moved_in", other})
			right, slip = &pb.BagsMoved{Bags: []string{b.number}, ToPlace: other}, &pb.BagsMoved{Bags: []string{b.number}, ToPlace: y.places[y.random.IntN(3)]}
		case 3:
			b.story = append(b.story, happening{at, "lent", ""}, happening{at.Add(90 * time.Hour), "back", other})
			back := at.Add(90 * time.Hour)
			y.typed = append(y.typed, func() { y.enter(back, &pb.BagReturned{Bag: b.number, To: pb.ReturnTo_RETURN_TO_FREEZER, Place: other}) })
			right, slip = &pb.BagsLent{Bags: []string{b.number}, ToPractice: "Fernhill"}, &pb.BagsLent{Bags: []string{b.number}, ToPractice: "Fernhil"}
			at = back
		case 4:
			b.story = append(b.story, happening{at, "discarded/broken", ""})
			right = &pb.BagDiscarded{Bag: b.number, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}
			slip = &pb.BagDiscarded{Bag: b.number, Reason: pb.DiscardReason_DISCARD_REASON_EXPIRED}
		case 5:
			b.story = append(b.story, happening{at, "missing", ""})
			right, slip = &pb.BagMissing{Bag: b.number}, &pb.BagMissing{Bag: b.number, Reason: "?"}
		default:
			b.story = append(b.story, happening{at, "given", ""})
			ended, rest := at.Add(time.Hour), at.Add(20*time.Hour)
			y.typed = append(y.typed,
				func() { y.enter(ended, &pb.TransfusionEnded{Bag: b.number, Case: y.foal, GivenMl: 600}) },
				func() {
					y.enter(rest, &pb.BagDiscarded{Bag: b.number, Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: proto.Int32(350)})
				})
			right, slip = nil, nil
			started := at
			y.typed = append(y.typed, func() { y.enter(started, &pb.TransfusionStarted{Bag: b.number, Case: y.foal}) })
		}
		if right != nil {
			then := at
			if len(b.story) > 1 && b.story[len(b.story)-1].way == "back" {
				then = b.story[len(b.story)-2].at
			}
			y.typed = append(y.typed, func() { y.wrong(then, right, slip) })
		}
		if b.story[len(b.story)-1].place == "" {
			return
		}
	}
}

// truth counts a month at a place: every line, opening and closing.
func (y *year) truth(from, until time.Time, place string) map[string]int {
	n := map[string]int{}
	for _, b := range y.bags {
		now := ""
		for _, h := range b.story {
			before := now
			now = h.place
			switch {
			case !h.at.Before(until):
				now = before
				continue
			case h.at.Before(from):
				continue
			}
			switch {
			case before != "" && now != "":
				if before == place {
					n["out moved_out"]++
				}
				if now == place {
					n["in moved_in"]++
				}
			case now == place:
				n["in "+h.way]++
			case before == place && now == "":
				n["out "+h.way]++
			}
		}
		if now == place {
			n["closing"]++
		}
		if at := b.placeAt(from); at == place {
			n["opening"]++
		}
	}
	return n
}

func (b *trueBag) placeAt(at time.Time) (place string) {
	for _, h := range b.story {
		if h.at.Before(at) {
			place = h.place
		}
	}
	return place
}

// counted is the same of an answer of the program.
func counted(row *pb.BalanceRow) map[string]int {
	n := map[string]int{}
	put := func(name string, count int32) {
		if count != 0 {
			n[name] = int(count)
		}
	}
	put("opening", row.Opening)
	put("closing", row.Closing)
	for _, l := range row.Lines {
		name := "in " + l.Way
		if l.Out {
			name = "out " + l.Way
		}
		if l.Reason != "" {
			name += "/" + l.Reason
		}
		put(name, l.Bags)
	}
	return n
}

// Every month of a year ties out and is the truth, by place, in bags and mL, whatever
// the order in which it was typed; what was in stock at its end is what is listed.
func TestTheBalanceIsTheTruth(t *testing.T) {
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	for seed := range uint64(testrun.Rounds(3, 10, 60)) {
		y := newYear(t, seed+testrun.Seed())
		for range 12 {
			y.deliver(time.Date(2026, 1, 3, 0, 0, 0, 0, sydney).Add(time.Duration(y.random.IntN(300*24)) * time.Hour))
		}
		for _, b := range y.bags {
			y.live(b)
		}
		y.random.Shuffle(len(y.typed), func(i, j int) { y.typed[i], y.typed[j] = y.typed[j], y.typed[i] })
		for _, enter := range y.typed {
			enter()
		}
		for month := time.January; month <= time.December; month++ {
			y.checkMonth(seed, time.Date(2026, month, 1, 0, 0, 0, 0, sydney))
		}
	}
}

func (y *year) checkMonth(seed uint64, from time.Time) {
	y.T.Helper()
	until := from.AddDate(0, 1, 0)
	out, err := y.GetBalance(y.T.Context(), &pb.GetBalanceRequest{From: from.Format("2006-01"), By: "place"})
	require.NoError(y.T, err)
	for _, place := range y.places {
		row := &pb.BalanceRow{}
		if i := slices.IndexFunc(out.Rows, func(r *pb.BalanceRow) bool { return r.Group == place }); i >= 0 {
			row = out.Rows[i]
		}
		require.Equal(y.T, y.truth(from, until, place), counted(row), "seed %d, %s, %s", seed, from.Format("2006-01"), place)
		bags, ml := row.Opening, row.OpeningMl
		for _, l := range row.Lines {
			sign := int32(1)
			if l.Out {
				sign = -1
			}
			bags, ml = bags+sign*l.Bags, ml+int64(sign)*l.VolumeMl
		}
		require.Equal(y.T, row.Closing, bags, "it ties out in bags")
		require.Equal(y.T, row.ClosingMl, ml, "and in mL")
	}
	listed, err := y.ListStock(y.T.Context(), &pb.ListStockRequest{At: until.Add(-time.Millisecond).Format(time.RFC3339Nano)})
	require.NoError(y.T, err)
	var want, got []string
	for _, b := range y.bags {
		if place := b.placeAt(until); place != "" {
			want = append(want, b.number+" "+place)
		}
	}
	for _, b := range listed.Bags {
		got = append(got, b.Bag+" "+b.Place)
	}
	require.ElementsMatch(y.T, want, got, "seed %d, end of %s", seed, from.Format("2006-01"))
}
