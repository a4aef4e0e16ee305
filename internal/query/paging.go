package query

import (
	"cmp"
	"encoding/base64"
	"errors"

	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
)

// A list that grows for years is answered in parts: an answer that does not reach
// the end says where to go on.

// paged is a request for a part of such a list.
type paged interface {
	GetLimit() int32
	GetAfter() string
}

// errNotAsked says that what was found is not among what was asked for.
var errNotAsked = errors.New("not asked for")

// listed hands on what is found under dated terms, one term after another and
// the newest first within each, after the mark of an earlier answer and as far as
// the limit goes, to which errNotAsked of fn does not count. next is the mark to go on
// from; empty at the end.
func (b *ReadView) listed(req paged, terms []string, fn func(store.Found) error) (next string, err error) {
	after, err := markOf(req.GetAfter(), terms)
	if err != nil {
		return "", err
	}
	left, last := int(cmp.Or(req.GetLimit(), MaxRows)), ""
	for _, term := range terms {
		if after != "" && !ledger.IsDated(after, term) {
			continue // the earlier answer was past it
		}
		err := b.Snapshot.Newest(term, after, func(f store.Found) (bool, error) {
			if left == 0 {
				next = last
				return false, nil
			}
			err := fn(f)
			if errors.Is(err, errNotAsked) {
				return true, nil
			}
			left, last = left-1, f.Mark()
			return true, err
		})
		if err != nil || next != "" {
			return base64.RawURLEncoding.EncodeToString([]byte(next)), err
		}
		after = ""
	}
	return "", nil
}

// markOf reads the mark that an earlier answer ended with.
func markOf(text string, terms []string) (string, error) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	for _, term := range terms {
		if err == nil && (text == "" || ledger.IsDated(string(raw), term)) {
			return string(raw), nil
		}
	}
	return "", refusal.New("after", text, "the mark with which an earlier answer to this question ended")
}
