package ledger

import (
	"cmp"
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Kit is one item of kit at one place: a sum, to which every record adds its
// share in any order. A count adds the difference that it found.
type Kit struct {
	_ struct{} `cbor:",toarray"`
	Common
	Sum       int64
	Lots      []KitLot // what was stocked, by expiry and lot
	LastCount *KitCount
}

// KitLot is what was stocked of one lot.
type KitLot struct {
	_      struct{} `cbor:",toarray"`
	Lot    string
	Expiry string
	Count  int64
}

// KitCount is the newest count.
type KitCount struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Counted  int32
	Expected int32 // what the counting laptop held to be there
}

// foldKit keeps no story: kit is used many times a day.
func foldKit(s *set) State {
	k := &Kit{}
	for _, f := range s.story {
		switch p := f.body.(type) {
		case *pb.KitStocked:
			k.Sum += int64(p.Count)
			k.lot(p)
		case *pb.KitUsed:
			k.Sum -= int64(p.Count)
		case *pb.KitCounted:
			k.Sum += int64(p.Counted) - int64(p.Expected)
			k.LastCount = &KitCount{Stamp: f.stamp(), Counted: p.Counted, Expected: p.Expected}
		}
	}
	s.timeline = nil
	k.Common = s.common()
	return k
}

func (k *Kit) lot(p *pb.KitStocked) {
	l := KitLot{Lot: p.Lot, Expiry: p.Expiry}
	k.Lots = insert(k.Lots, l, compareLots)
	i, _ := slices.BinarySearchFunc(k.Lots, l, compareLots)
	k.Lots[i].Count += int64(p.Count)
}

func compareLots(a, b KitLot) int {
	return cmp.Or(cmp.Compare(a.Expiry, b.Expiry), cmp.Compare(a.Lot, b.Lot))
}
