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
	case *pb.BagFound:
		w.found(f, p.Place)
	case *pb.BagsMoved:
		w.moved(f, p)
	case *pb.PlaceCounted:
		w.counted(f, p)
	case *pb.ThawStarted:
		w.seen(f, p.Place)
		w.soft = true
	case *pb.TransfusionStarted:
		w.seen(f, p.Place)
	case *pb.BagSoftened, *pb.BagThawed:
		w.soft = true
	case *pb.BagRefrozen:
		w.set.differ(Refrozen, "", f.atMs, f)
	case *pb.BagReturned:
		w.returned(f, p)
	default:
		w.ended(f)
	}
	w.settle()
}

// settle writes down how the bag left the stock.
func (w *custody) settle() {
	w.bag.Ended = ""
	if e := w.bag.Ends; len(e) > 0 && (w.gone != nil || w.lost != nil) {
		w.bag.Ended = e[len(e)-1].How
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
		w.gone = nil
		w.lay(f, place, false)
		return
	}
	w.seen(f, place)
	w.gone = nil
}

// seen is a record that says the bag was at a place.
func (w *custody) seen(f *fact, place string) {
	switch {
	case w.gone != nil && !givenOn(w.gone, f):
		w.set.differ(CustodyBroken, "after its end", f.atMs, w.gone, f)
	case place == "" || place == w.bag.Place:
	case !w.put[place]:
		w.set.differ(FoundBag, "nobody put it there", f.atMs, f)
	default:
		w.set.differ(CustodyBroken, "seen elsewhere", f.atMs, f)
	}
	w.lay(f, place, true)
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
		from = p.FromPlaces[i]
	}
	switch {
	case w.gone != nil:
		w.set.differ(CustodyBroken, "after its end", f.atMs, w.gone, f)
	case from != "" && from != w.bag.Place:
		w.set.differ(CustodyBroken, "moved from elsewhere", f.atMs, f)
	}
	w.lay(f, p.ToPlace, false)
}

func (w *custody) counted(f *fact, p *pb.PlaceCounted) {
	if _, ok := indexOf(p.BagsSeen, w.set.key.ID); ok {
		w.seen(f, p.Place)
		return
	}
	if _, ok := indexOf(p.BagsNotSeen, w.set.key.ID); ok && w.gone == nil && p.Place == w.bag.Place {
		w.set.differ(CountDiffers, "", f.atMs, f)
	}
}

func (w *custody) returned(f *fact, p *pb.BagReturned) {
	if p.To == pb.ReturnTo_RETURN_TO_MAKER {
		w.gone = f
		return
	}
	if p.To == pb.ReturnTo_RETURN_TO_FREEZER && w.soft {
		w.bag.Refrozen = append(w.bag.Refrozen, f.stamp())
		w.set.differ(Refrozen, "returned to a freezer", f.atMs, f)
	}
	w.lay(f, p.Place, false)
}

// ended is a bag that left the stock.
func (w *custody) ended(f *fact) {
	switch p := f.body.(type) {
	case *pb.TransfusionEnded, *pb.BagDiscarded, *pb.BagsLent:
		w.gone = f
	case *pb.BagKeptBack:
		w.gone = f
		w.lay(f, p.Place, false)
	case *pb.BagMissing:
		w.lost = f
	}
}
