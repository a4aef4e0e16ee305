package query

import (
	"cmp"
	"context"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// What one look at a place goes over at the most, and goes over when nothing is asked.
const (
	mostPlaceDays  = 366
	usualPlaceDays = 31
)

// GetPlace tells of a place day by day: how cold it was read, when nobody read it, and
// when it was warmer than it or a label of what lay there allows.
func (s Reader) GetPlace(ctx context.Context, req *pb.GetPlaceRequest) (*pb.GetPlaceResponse, error) {
	out := &pb.GetPlaceResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		id, err := b.Resolve("place", event.KindPlace, req.Place)
		if err != nil {
			return err
		}
		days, err := b.placeDays(req.From, req.To)
		if err != nil {
			return err
		}
		f, err := b.freezer(id, days)
		if err != nil {
			return err
		}
		out.Freshness = b.freshness()
		return f.tell(b, out, days)
	})
	return out, err
}

// placeDays is the span that is asked about, or the days up to now.
func (b *ReadView) placeDays(from, to string) (s span, err error) {
	if from == "" && to == "" {
		today := b.now.In(b.zone)
		begin := time.Date(today.Year(), today.Month(), today.Day()-usualPlaceDays+1, 0, 0, 0, 0, b.zone)
		return span{begin, begin.AddDate(0, 0, usualPlaceDays)}, nil
	}
	if s, err = b.spanOf(from, to); err != nil {
		return s, err
	}
	if s.from.AddDate(0, 0, mostPlaceDays).Before(s.until) {
		return s, refusal.New("to", cmp.Or(to, from), "a day at most a year after the first one")
	}
	return s, nil
}

// freezer is a place with its readings, and what lay in it when.
type freezer struct {
	place    *ledger.Place
	readings []ledger.Reading // of the span, with some before it and all after it
	lain     []lain
	nowMs    int64
}

// lain is a bag that is in stock and lay in the place from one moment to another.
type lain struct {
	bag, product, name, batch string
	limitDc                   *int32
	fromMs, untilMs           int64
	here                      bool // it still does
}

// freezer reads what is known of a place.
func (b *ReadView) freezer(id string, days span) (f *freezer, err error) {
	f = &freezer{nowMs: b.now.UnixMilli()}
	if f.place, err = b.place(id); err != nil {
		return nil, err
	}
	if f.place == nil {
		return nil, refusal.New("place", id, "a place that is known here")
	}
	// A month earlier, so that the first reading has one before it; and up to now, for
	// when the next one is due.
	for at := days.from.UTC().AddDate(0, -1, 0); at.Format("2006-01") <= b.now.UTC().Format("2006-01"); at = nextMonth(at) {
		t, err := Get[*ledger.Temperature](b, event.KindTemperature, id+"/"+at.Format("2006-01"))
		if err != nil {
			return nil, err
		}
		if t != nil {
			f.readings = append(f.readings, t.Readings...)
		}
	}
	slices.SortStableFunc(f.readings, func(x, y ledger.Reading) int { return cmp.Compare(x.Stamp.AtMs, y.Stamp.AtMs) })
	f.lain, err = b.lainAt(id)
	return f, err
}

func nextMonth(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month()+1, 1, 0, 0, 0, 0, time.UTC)
}

// lainAt are the stays at a place of the bags that are in stock, with their labels' limits.
// A bag that was thawed lies in no freezer.
func (b *ReadView) lainAt(place string) (out []lain, err error) {
	err = b.Bags(ledger.TermStock, func(bag *ledger.BagLine) error {
		if bag.Label == nil || bag.Clocks != nil {
			return nil
		}
		for i, stay := range bag.Stays {
			if stay.Place != place {
				continue
			}
			l := lain{bag: bag.ID, batch: bag.Label.Batch, product: bag.Label.Product, fromMs: stay.FromMs, untilMs: 1 << 52, here: i+1 == len(bag.Stays)}
			if !l.here {
				l.untilMs = bag.Stays[i+1].FromMs
			}
			card, err := b.Card(l.product)
			if err != nil {
				return err
			}
			l.name = b.Name(event.KindProduct, l.product)
			if card != nil {
				l.limitDc = card.StorageMaxDc
			}
			out = append(out, l)
		}
		return nil
	})
	return out, err
}

// limitAt is the strictest limit that held at a moment; nil for none.
func (f *freezer) limitAt(ms int64) *int32 {
	limit := f.place.WarmestDc
	for _, l := range f.lain {
		if l.limitDc != nil && l.fromMs <= ms && ms < l.untilMs && (limit == nil || *l.limitDc < *limit) {
			limit = l.limitDc
		}
	}
	return limit
}

func (f *freezer) warmAt(ms int64, dc int32) bool {
	limit := f.limitAt(ms)
	return limit != nil && dc > *limit
}

// most and least are what a reading tells of the time since the one before.
func most(r *ledger.Reading) int32 {
	if r.MostDc != nil {
		return max(r.NowDc, *r.MostDc)
	}
	return r.NowDc
}

func least(r *ledger.Reading) int32 {
	if r.LeastDc != nil {
		return min(r.NowDc, *r.LeastDc)
	}
	return r.NowDc
}

// beyond says whether a reading is outside the limits, and on which side.
func (f *freezer) beyond(r *ledger.Reading) string {
	switch {
	case f.warmAt(r.Stamp.AtMs, most(r)):
		return "warm"
	case f.place.ColdestDc != nil && least(r) < *f.place.ColdestDc:
		return "cold"
	}
	return ""
}

// tell puts all of it into an answer.
func (f *freezer) tell(b *ReadView, out *pb.GetPlaceResponse, days span) error {
	p := f.place
	out.Place, out.Name, out.Kind, out.ReadEveryH = p.Entity.ID, p.Name, wording.Code(p.Kind), p.ReadEveryH
	out.WarmestC, out.OwnWarmestC, out.OwnColdestC = degrees(f.limitAt(f.nowMs)), degrees(p.WarmestDc), degrees(p.ColdestDc)
	if p.Named != nil {
		out.Record = p.Named.Record.String()
	}
	here := slices.DeleteFunc(slices.Clone(f.lain), func(l lain) bool { return !l.here })
	out.Limits = labelLimits(here)
	f.schedule(b, out)
	for _, w := range f.warmTimes() {
		if w.toMs == 0 || days.from.UnixMilli() <= w.toMs {
			one, err := f.warmTime(b, w)
			if err != nil {
				return err
			}
			out.Warm = append(out.Warm, one)
		}
	}
	for i := range f.readings {
		if r := &f.readings[i]; days.has(r.Stamp.AtMs) {
			out.Readings = append(out.Readings, f.readingRow(b, r))
		}
	}
	f.eachDay(b, out, days)
	return nil
}

func (f *freezer) readingRow(b *ReadView, r *ledger.Reading) *pb.PlaceReading {
	return &pb.PlaceReading{
		At: b.Stamp(r.Stamp.AtMs), NowC: float64(r.NowDc) / 10, LeastC: degrees(r.LeastDc), MostC: degrees(r.MostDc),
		Beyond: f.beyond(r), Who: b.Person(r.Stamp.Author), Record: r.Stamp.Record.String(),
	}
}

// schedule says when the place is to be read again.
func (f *freezer) schedule(b *ReadView, out *pb.GetPlaceResponse) {
	if len(f.readings) == 0 {
		out.Overdue = f.place.ReadEveryH > 0
		return
	}
	last := f.readings[len(f.readings)-1].Stamp.AtMs
	out.LastReadingAt = b.Stamp(last)
	if f.place.ReadEveryH > 0 {
		next := last + readEveryMs(f.place)
		out.NextReadingAt, out.Overdue = b.Stamp(next), next < f.nowMs
	}
}

// readEveryMs is how long after a reading the next one is due.
func readEveryMs(p *ledger.Place) int64 { return int64(p.ReadEveryH) * time.Hour.Milliseconds() }

// eachDay tells of the days one by one.
func (f *freezer) eachDay(b *ReadView, out *pb.GetPlaceResponse, days span) {
	next := 0
	for day := days.from; day.Before(days.until); {
		after := time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, b.zone)
		row := &pb.PlaceDay{Day: day.Format(time.DateOnly)}
		for ; next < len(f.readings) && f.readings[next].Stamp.AtMs < after.UnixMilli(); next++ {
			if r := &f.readings[next]; r.Stamp.AtMs >= day.UnixMilli() {
				f.addTo(row, r)
			}
		}
		if row.State == "" {
			row.State = f.unread(next, after.UnixMilli())
		}
		if row.State == "missed" {
			out.Missed++
		}
		out.Days = append(out.Days, row)
		day = after
	}
}

// addTo puts a reading into its day: what is beyond a limit is not made good by another.
func (f *freezer) addTo(day *pb.PlaceDay, r *ledger.Reading) {
	lo, hi := float64(least(r))/10, float64(most(r))/10
	if day.Readings++; day.Readings > 1 {
		lo, hi = min(lo, *day.LeastC), max(hi, *day.MostC)
	}
	day.LeastC, day.MostC = &lo, &hi
	switch beyond := f.beyond(r); {
	case beyond == "warm" || beyond == "cold" && day.State != "warm":
		day.State = beyond
	case day.State == "":
		day.State = "ok"
	}
}

// unread says what it means that a day, which ended at a moment, has no reading; so many
// readings came before its end.
func (f *freezer) unread(before int, endMs int64) string {
	switch {
	case endMs > f.nowMs:
		return "later"
	case f.place.ReadEveryH > 0 && before > 0 && f.readings[before-1].Stamp.AtMs+readEveryMs(f.place) < endMs:
		return "missed"
	}
	return "none"
}

// warmTime is a stretch of readings that were too warm.
type warmTime struct {
	fromMs, toMs int64 // toMs 0: it was still too warm when last read
	lastWarmMs   int64 // when it was read to be too warm itself; 0: only since the reading before
	mostDc       int32
	unread       bool
}

// warmTimes finds the stretches: from the last good reading to the next one, which is the
// longest that they can have lasted. Those for which a person told that the place was warm
// are left out.
func (f *freezer) warmTimes() (out []warmTime) {
	var open *warmTime
	for i := range f.readings {
		r := &f.readings[i]
		at := r.Stamp.AtMs
		if f.warmAt(at, most(r)) {
			if open == nil {
				out = append(out, warmTime{fromMs: at, unread: i == 0})
				open = &out[len(out)-1]
				open.mostDc = most(r)
				if i > 0 {
					open.fromMs = f.readings[i-1].Stamp.AtMs
				}
			}
			open.mostDc = max(open.mostDc, most(r))
		}
		if open == nil {
			continue
		}
		if f.warmAt(at, r.NowDc) {
			open.lastWarmMs = at
			continue
		}
		open.toMs, open = at, nil
	}
	return slices.DeleteFunc(out, f.told)
}

// told says that somebody entered the stretch: a part of it is enough, since a person knows
// better, but not when it was read to be too warm after that.
func (f *freezer) told(w warmTime) bool {
	return slices.ContainsFunc(f.place.Warm, func(s ledger.WarmSpan) bool {
		return s.Covers(w.fromMs, w.toMs) && (s.ToMs == 0 || s.ToMs >= w.lastWarmMs)
	})
}

// warmTime words a stretch, with the bags that lay there in it: who came after its end, left
// before it began or was lent out meanwhile is not among them. One that was carried away and
// back is one bag.
func (f *freezer) warmTime(b *ReadView, w warmTime) (*pb.WarmTime, error) {
	until := cmp.Or(w.toMs, f.nowMs)
	out := &pb.WarmTime{
		From: b.Stamp(w.fromMs), To: b.Stamp(w.toMs), MostC: float64(w.mostDc) / 10, BeganUnread: w.unread,
		AtMostMin: int32((until - w.fromMs) / time.Minute.Milliseconds()),
	}
	var over, within, unlabelled []lain
	bags := map[string]bool{}
	for _, l := range f.lain {
		if w.toMs != 0 && l.fromMs >= w.toMs || l.untilMs <= w.fromMs {
			continue
		}
		outside, err := b.outside(l.bag, max(l.fromMs, w.fromMs), min(l.untilMs, until))
		if err != nil {
			return nil, err
		}
		if outside {
			continue
		}
		switch {
		case l.limitDc == nil:
			unlabelled = append(unlabelled, l)
		case w.mostDc > *l.limitDc:
			over = append(over, l)
		default:
			within = append(within, l)
		}
		row := &pb.WarmBag{Bag: l.bag, Product: l.name, Batch: l.batch}
		if l.fromMs > w.fromMs {
			row.Came = b.Stamp(l.fromMs)
		}
		if l.untilMs < until {
			row.Left = b.Stamp(l.untilMs)
		}
		bags[l.bag], out.Lay = true, append(out.Lay, row)
	}
	out.Bags = int32(len(bags))
	out.Over, out.Within, out.Unlabelled = labelLimits(over), labelLimits(within), labelLimits(unlabelled)
	return out, nil
}

// labelLimits counts bags by product, in the order of their names.
func labelLimits(bags []lain) (out []*pb.LabelLimit) {
	rows, seen := map[string]*pb.LabelLimit{}, map[string]bool{}
	for _, l := range bags {
		if rows[l.product] == nil {
			rows[l.product] = &pb.LabelLimit{Product: l.name, WarmestC: degrees(l.limitDc)}
			out = append(out, rows[l.product])
		}
		if !seen[l.bag] { // a bag that came back is one bag
			seen[l.bag] = true
			rows[l.product].Bags++
		}
	}
	slices.SortStableFunc(out, func(x, y *pb.LabelLimit) int { return cmp.Compare(x.Product, y.Product) })
	return out
}

// degrees is 0.1 C as answers give it; nil for none.
func degrees(dc *int32) *float64 {
	if dc == nil {
		return nil
	}
	c := float64(*dc) / 10
	return &c
}
