package ledger

import (
	"time"

	pb "thawtrail/proto/thawtrail/v1"
)

// Clocks of a thawed bag. A label card may be stricter; the bag's fold does not
// see it, so the queries apply it.
const (
	thawLifeMs   = 4 * 60 * 60 * 1000  // kept at an unknown temperature
	fridgeLifeMs = 24 * 60 * 60 * 1000 // kept at 1 to 6 C
	fridgeMinDc  = 10
	fridgeMaxDc  = 60
	// sameThawMs: two entries of one thaw by two people lie closer than this.
	// Ours.
	sameThawMs = 30 * 60 * 1000
	// dayOverEverywhereMs after midnight UTC a day is over in every time zone.
	// A zone's name cannot be turned into an offset here, because time zone
	// tables differ between machines.
	dayOverEverywhereMs = 12 * 60 * 60 * 1000
)

// compare claims what does not fit together among the records of the bag, apart
// from custody.
func (b *Bag) compare(s *set) {
	b.compareReceipts(s)
	b.compareUses(s)
	b.compareThaws(s)
	b.compareVolume(s)
	for i := range b.Uses {
		f := b.Uses[i].from
		if f == nil {
			continue
		}
		if _, ok := f.body.(*pb.TransfusionStarted); ok {
			b.compareClocks(s, f)
		}
	}
	if b.Ended == EndMissing {
		s.missing()
	}
}

func (b *Bag) compareReceipts(s *set) {
	var first *fact
	for _, f := range s.story {
		if _, ok := f.body.(*pb.BagsReceived); !ok {
			continue
		}
		if first == nil {
			first = f
			continue
		}
		s.differ(ReceivedTwice, "", f.atMs, first, f)
	}
}

// compareUses looks at every pair of transfusions of the bag.
func (b *Bag) compareUses(s *set) {
	for i := range b.Uses {
		for j := range b.Uses[:i] {
			u, o := &b.Uses[j], &b.Uses[i]
			switch {
			case u.Patient != o.Patient && !u.Shared && !o.Shared:
				s.differ(GivenToTwoPatients, "", o.first().atMs, u.first(), o.first())
			case u.Patient == o.Patient && u.overlaps(o) && u.apart(o):
				s.differ(EnteredTwice, "", o.first().atMs, u.first(), o.first())
			}
		}
	}
}

// apart says that the entries were made on two logs or by two requests.
func (u *Use) apart(o *Use) bool {
	return u.Log != o.Log || u.RequestID != o.RequestID || u.RequestID == ""
}

func (b *Bag) compareThaws(s *set) {
	var last *fact
	var done bool
	for _, f := range s.story {
		switch f.body.(type) {
		case *pb.BagThawed:
			done = true
		case *pb.ThawStarted:
			if last != nil && (done || f.atMs-last.atMs > sameThawMs) {
				s.differ(ThawedTwice, "", f.atMs, last, f)
			}
			last, done = f, false
		}
	}
}

// compareVolume claims that more was given than the label says. The evidence is
// every end that counts.
func (b *Bag) compareVolume(s *set) {
	if b.Label == nil || b.Label.VolumeMl == 0 || b.GivenMl <= b.Label.VolumeMl {
		return
	}
	var ends []*fact
	for i := range b.Uses {
		if f := b.Uses[i].to; f != nil && b.Uses[i].GivenMl > 0 {
			ends = append(ends, f)
		}
	}
	s.differ(OverVolume, "", ends[len(ends)-1].atMs, ends...)
}

// compareClocks holds a start against the label's expiry and the bag's clocks.
func (b *Bag) compareClocks(s *set, start *fact) {
	if b.Label != nil {
		if end, ok := expiryOver(b.Label.Expiry, start.told); ok && start.atMs >= end {
			s.differ(GivenAfterExpiry, "expiry", start.atMs, start)
		}
	}
	if end, from := b.thawClock(s, start.atMs); from != nil && start.atMs > end {
		s.differ(GivenAfterExpiry, "thaw clock", start.atMs, from, start)
	}
	for _, f := range s.story {
		if _, ok := f.body.(*pb.SetAttached); ok && start.atMs-f.atMs > setLifeMs {
			s.differ(GivenAfterExpiry, "set clock", start.atMs, f, start)
			return
		}
	}
}

// thawClock is when the last thaw before atMs runs out, and the record it counts
// from: complete, else begun.
func (b *Bag) thawClock(s *set, atMs int64) (endMs int64, from *fact) {
	life := int64(thawLifeMs)
	for _, f := range s.story {
		if f.atMs > atMs {
			break
		}
		switch p := f.body.(type) {
		case *pb.ThawStarted, *pb.BagThawed:
			from, life = f, thawLifeMs
		case *pb.BagReturned:
			if p.To == pb.ReturnTo_RETURN_TO_FRIDGE && p.KeptAtDc != nil && fridgeMinDc <= *p.KeptAtDc && *p.KeptAtDc <= fridgeMaxDc {
				life = fridgeLifeMs
			}
		}
	}
	if from == nil {
		return 0, nil
	}
	return from.atMs + life, from
}

// expiryOver is the instant at which the expiry day is over where the start was
// told, by the offset that stands in its record. Where none was told it is over
// when the day has ended in every time zone.
func expiryOver(expiry string, told *pb.Moment) (ms int64, ok bool) {
	late := int64(dayOverEverywhereMs)
	if told != nil && told.UtcOffsetMin != nil {
		late = -int64(told.GetUtcOffsetMin()) * 60_000
	}
	if day, err := time.Parse("2006-01-02", expiry); err == nil {
		return day.AddDate(0, 0, 1).UnixMilli() + late, true
	}
	if month, err := time.Parse("2006-01", expiry); err == nil {
		return month.AddDate(0, 1, 0).UnixMilli() + late, true
	}
	return 0, false
}

// missing claims the last word that the bag cannot be found.
func (s *set) missing() {
	var last *fact
	for _, f := range s.story {
		if _, ok := f.body.(*pb.BagMissing); ok {
			last = f
		}
	}
	s.differ(Missing, "", last.atMs, last)
}
