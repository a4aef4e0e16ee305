package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// custody walks a bag's story and says where it lay. It claims where a record
// found the bag elsewhere than the story had put it.
type custody struct {
	set  *set
	bag  *Bag
	put  map[string]bool // places at which anybody ever put this bag
	gone *fact           // how it left the stock, when it has
	lost *fact           // told missing and not seen since
	soft bool            // softened or in a bath since it was last frozen
	in   bool            // in the stock
	at   string          // where, as the last move left it
	used bool            // hung once: it has left the stock for good
}

// placesPut collects the places at which the records put the bag. To be seen at
// a place puts it nowhere.
func placesPut(s *set) map[string]bool {
	put := map[string]bool{}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.BagsReceived:
			put[p.Place] = true
		case *pb.BagFound:
			put[p.Place] = true
		case *pb.BagsMoved:
			put[p.ToPlace] = true
		case *pb.BagReturned:
			put[p.Place] = true
		case *pb.BagKeptBack:
			put[p.Place] = true
		}
	}
	return put
}

// step takes the next fact of the story.
func (w *custody) step(f *fact) {
	switch p := f.body.(type) {
	case *pb.BagsReceived:
		w.gone = nil
		w.lay(f, p.Place, false)
		w.enter(f.stamp(), cameBy(f, p))
	case *pb.BagFound:
		w.found(f, p.Place)
	case *pb.BagsMoved:
		w.moved(f, p)
	case *pb.PlaceCounted:
		w.counted(f, p)
	case *pb.ThawStarted:
		w.seen(f, w.known(f, p.Place))
		w.soft = true
	case *pb.TransfusionStarted:
		w.seen(f, w.known(f, p.Place))
	case *pb.BagSoftened, *pb.BagThawed:
		w.soft = true
	case *pb.BagsCarried:
		w.soft = w.soft || p.Feel != pb.BagFeel_BAG_FEEL_HARD
	case *pb.LabelUnreadable:
		if p.Place != "" {
			w.found(f, p.Place)
		}
	case *pb.BagRefrozen:
		w.set.differ(Refrozen, "", f.atMs, f)
	case *pb.BagReturned:
		w.returned(f, p)
	default:
		w.ended(f)
	}
	w.use(f)
	w.settle()
}

// settle writes down how the bag left the stock.
func (w *custody) settle() {
	w.bag.Ended = ""
	if n := len(w.bag.Moves); n > 0 && !w.in {
		w.bag.Ended = w.bag.Moves[n-1].How
	}
}

// lay puts the bag at a place.
func (w *custody) lay(f *fact, place string, seen bool) {
	w.lost = nil
	if place == "" || place == w.bag.Place && len(w.bag.Custody) > 0 {
		return
	}
	w.bag.Place = place
	w.bag.Custody = append(w.bag.Custody, Span{Place: place, FromMs: f.atMs, OffMs: f.offMs(), Record: f.id, Seen: seen})
}

// found is a bag that nobody at hand knew. If it had been received after all, it
// is no more than a bag seen.
func (w *custody) found(f *fact, place string) {
	if !slices.ContainsFunc(w.set.facts, func(o *fact) bool { _, ok := o.body.(*pb.BagsReceived); return ok }) {
		w.set.differ(FoundBag, "never received", f.atMs, f)
		w.lay(f, place, false)
	} else {
		w.seen(f, place)
	}
	w.gone = nil
	w.enter(f.stamp(), CameFound)
}

// seen is a record that says the bag was at a place. One that was lent has come home.
func (w *custody) seen(f *fact, place string) {
	switch {
	case w.lent():
		w.home(f, place)
		return
	case w.gone != nil && !givenOn(w.gone, f):
		w.set.differ(CustodyBroken, "after its end", f.atMs, w.gone, f)
	case place == "" || place == w.bag.Place:
	case !w.put[place]:
		w.set.differ(FoundBag, "nobody put it there", f.atMs, f)
	default:
		w.set.differ(CustodyBroken, "seen elsewhere", f.atMs, f)
	}
	w.lay(f, place, true)
	if w.gone == nil && place != "" {
		w.enter(f.stamp(), w.inflow(f))
	}
}

// home puts a bag that was lent or kept back where it lies again.
func (w *custody) home(f *fact, place string) {
	w.gone = nil
	w.lay(f, place, false)
	w.enter(f.stamp(), CameBack)
}

// known is a place that was filled in by what the laptop held when the entry was typed.
// It tells where the bag was if that was when it happened. Typed afterwards it tells
// where the books had the bag by then, and says nothing.
func (w *custody) known(f *fact, place string) string {
	if f.live() || w.bag.Place == "" {
		return place
	}
	return ""
}

// givenOn says that the bag hung before and is started again: no question of
// custody.
func givenOn(gone, f *fact) bool {
	_, given := gone.body.(*pb.TransfusionEnded)
	_, start := f.body.(*pb.TransfusionStarted)
	return given && start
}

func (w *custody) moved(f *fact, p *pb.BagsMoved) {
	from := ""
	if i, ok := indexOf(p.Bags, w.set.key.ID); ok && i < len(p.FromPlaces) {
		from = w.known(f, p.FromPlaces[i])
	}
	switch {
	case w.lent():
		w.home(f, p.ToPlace)
		return
	case w.away(): // kept back, and carried to where it is kept now
	case w.gone != nil:
		w.set.differ(CustodyBroken, "after its end", f.atMs, w.gone, f)
	case from != "" && from != w.bag.Place:
		w.set.differ(CustodyBroken, "moved from elsewhere", f.atMs, f)
	}
	w.lay(f, p.ToPlace, false)
	if w.gone == nil {
		how := MovedOn
		if !w.in {
			how = w.inflow(f)
		}
		w.enter(f.stamp(), how)
	}
}

func (w *custody) counted(f *fact, p *pb.PlaceCounted) {
	_, saw := indexOf(p.BagsSeen, w.set.key.ID)
	w.bag.Counts = append(w.bag.Counts, Count{Stamp: f.stamp(), Place: p.Place, Seen: saw})
	if saw {
		w.seen(f, p.Place)
		return
	}
	if _, ok := indexOf(p.BagsNotSeen, w.set.key.ID); ok && w.gone == nil && p.Place == w.bag.Place {
		w.set.differ(CountDiffers, "", f.atMs, f)
	}
}

func (w *custody) returned(f *fact, p *pb.BagReturned) {
	if p.To == pb.ReturnTo_RETURN_TO_MAKER {
		w.leave(f, f.stamp(), EndReturned)
		w.gone = f
		return
	}
	if p.To == pb.ReturnTo_RETURN_TO_FREEZER && w.soft {
		w.bag.Refrozen = append(w.bag.Refrozen, f.stamp())
		w.set.differ(Refrozen, "returned to a freezer", f.atMs, f)
	}
	if w.away() {
		w.home(f, p.Place)
		return
	}
	w.lay(f, p.Place, false)
	if w.gone == nil {
		w.enter(f.stamp(), w.inflow(f))
	}
}

// ended is a bag that left the stock. Given is what its uses say (use).
func (w *custody) ended(f *fact) {
	switch p := f.body.(type) {
	case *pb.TransfusionEnded:
		w.gone = f
	case *pb.BagDiscarded:
		w.leave(f, f.stamp(), EndDiscarded)
		w.gone = f
	case *pb.BagsLent:
		w.leave(f, f.stamp(), lentHow(p))
		w.gone = f
	case *pb.BagKeptBack:
		w.leave(f, f.stamp(), EndKeptBack)
		w.gone = f
		w.lay(f, p.Place, false)
	case *pb.BagMissing:
		w.leave(f, f.stamp(), EndMissing)
		w.lost = f
	}
}
