package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Move is one step of a bag into the stock, within it, or out of it. A bag's moves
// follow on each other: where one ends, the next begins. So for any span and any place
// what was there, and what came, less what went, is what is there: the balance is a sum
// over moves and ties out by its making.
//
// A bag comes in once, and is given once: with its first use it has left the stock for
// good, and what happens to its rest is no move.
type Move struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	How   string
	From  string // the place before; empty outside the stock, or when nobody knows
	To    string // the place after
	Was   bool   // it was in the stock before
	Is    bool   // it is in the stock after
}

// Ways in which a bag comes into the stock or moves within it. The ways out are those
// in which it ends.
const (
	CameReceived = "received"
	CameOpening  = "opening_stock"
	CameBorrowed = "borrowed"
	CameFound    = "found"
	CameUnknown  = "not_received" // somebody handled it, and no delivery names it
	CameBack     = "back"         // lent or kept back before
	CameSeen     = "seen"         // told to be gone, or to lie elsewhere, and seen
	MovedOn      = "moved"
)

// cameBy is how a delivery brings its bags in.
func cameBy(f *fact, p *pb.BagsReceived) string {
	switch {
	case f.typ == typeOpeningStock:
		return CameOpening
	case p.Borrowed:
		return CameBorrowed
	}
	return CameReceived
}

// inflow is how a bag came in that something is told of while the books have it out:
// one that is met before its delivery by that delivery, when one is told for later.
func (w *custody) inflow(f *fact) string {
	if len(w.bag.Moves) > 0 {
		if _, found := f.body.(*pb.BagFound); found {
			return CameFound
		}
		return CameSeen
	}
	for _, f := range w.set.story {
		if p, ok := f.body.(*pb.BagsReceived); ok {
			return cameBy(f, p)
		}
	}
	return CameUnknown
}

// enter brings the bag into the stock at the place where it lies, or notes that it lies
// elsewhere there.
func (w *custody) enter(at Stamp, how string) {
	if w.used || w.in && w.at == w.bag.Place {
		return
	}
	if w.in && how != MovedOn {
		how = CameSeen
	}
	w.bag.Moves = append(w.bag.Moves, Move{Stamp: at, How: how, From: w.at, To: w.bag.Place, Was: w.in, Is: true})
	w.in, w.at = true, w.bag.Place
}

// leave takes the bag out of the stock. One that was told to have left before was
// there after all.
func (w *custody) leave(f *fact, at Stamp, how string) {
	if w.used {
		return
	}
	if !w.in {
		w.enter(at, w.again(f))
	}
	w.bag.Moves = append(w.bag.Moves, Move{Stamp: at, How: how, From: w.at, Was: true})
	w.in, w.at = false, ""
}

// again is how a bag came in that is handled while the books have it out.
func (w *custody) again(f *fact) string {
	if w.away() {
		return CameBack
	}
	return w.inflow(f)
}

// away says that the bag left the stock and may come home: it was lent, or kept back.
func (w *custody) away() bool {
	if w.gone == nil {
		return false
	}
	switch p := w.gone.body.(type) {
	case *pb.BagsLent:
		return !p.GivenBack
	case *pb.BagKeptBack:
		return true
	}
	return false
}

// lent says that another practice has the bag.
func (w *custody) lent() bool {
	if !w.away() {
		return false
	}
	_, lent := w.gone.body.(*pb.BagsLent)
	return lent
}

// use takes the bag out when it is first hung, or when its end is told and no start.
func (w *custody) use(f *fact) {
	uses := w.bag.Uses
	i := slices.IndexFunc(uses, func(u Use) bool { return u.first() == f })
	if i < 0 || w.used {
		return
	}
	w.leave(f, uses[i].at(), EndGiven)
	w.used = true
}

// at is when, and by whom, the transfusion was begun; its end when nobody told.
func (u *Use) at() Stamp {
	if u.Start != nil {
		return *u.Start
	}
	return *u.End
}
