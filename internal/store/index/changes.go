package index

import (
	"iter"
	"slices"
	"sort"
)

// changeList is changes in order of key, cut in pieces so that putting one in
// moves few others. No piece is empty.
type changeList struct {
	pieces [][]change
}

// pieceChanges is the most changes in a piece before it is cut in two.
const pieceChanges = 128

// place finds the first change not before key: its piece, where it stands in it,
// and whether it is key's. The place may be one past the end of the last piece.
func (l *changeList) place(key []byte) (piece, at int, ok bool) {
	low, high := 0, len(l.pieces)
	for low < high {
		if mid := (low + high) / 2; l.pieces[mid][len(l.pieces[mid])-1].key < string(key) {
			low = mid + 1
		} else {
			high = mid
		}
	}
	if low == len(l.pieces) {
		return low, 0, false
	}
	p := l.pieces[low]
	at = sort.Search(len(p), func(i int) bool { return p[i].key >= string(key) })
	return low, at, at < len(p) && p[at].key == string(key)
}

// find gives the change of a key; nil when there is none.
func (l *changeList) find(key []byte) *change {
	if i, at, ok := l.place(key); ok {
		return &l.pieces[i][at]
	}
	return nil
}

// put adds a change, or replaces the one of the same key and gives that.
func (l *changeList) put(c change) (old change, replaced bool) {
	i, at, ok := l.place([]byte(c.key))
	if ok {
		old, l.pieces[i][at] = l.pieces[i][at], c
		return old, true
	}
	if i == len(l.pieces) {
		if i == 0 {
			l.pieces = append(l.pieces, make([]change, 0, pieceChanges))
		} else {
			i--
		}
		at = len(l.pieces[i])
	}
	l.pieces[i] = slices.Insert(l.pieces[i], at, c)
	if p := l.pieces[i]; len(p) >= pieceChanges {
		half := append(make([]change, 0, pieceChanges), p[len(p)/2:]...)
		l.pieces[i] = p[:len(p)/2]
		l.pieces = slices.Insert(l.pieces, i+1, half)
	}
	return old, false
}

// all gives every change in order of key.
func (l *changeList) all() iter.Seq[change] {
	return func(yield func(change) bool) {
		for _, p := range l.pieces {
			for _, c := range p {
				if !yield(c) {
					return
				}
			}
		}
	}
}

// within copies the changes that a scan can meet, in the scan's order.
func (l *changeList) within(prefix, from []byte, reverse bool) []change {
	low, end := string(prefix), successor(prefix)
	if !reverse && string(from) > low {
		low = string(from)
	}
	var out []change
	for i, at, _ := l.place([]byte(low)); i < len(l.pieces); i, at = i+1, 0 {
		for _, c := range l.pieces[i][at:] {
			past := end != nil && c.key >= string(end) || reverse && from != nil && c.key > string(from)
			if past {
				i = len(l.pieces)
				break
			}
			out = append(out, c)
		}
	}
	if reverse {
		slices.Reverse(out)
	}
	return out
}
