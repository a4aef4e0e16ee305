package projection

import (
	"bytes"
	"errors"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
)

// A row of a term that holds a line is shown as it stands. It and the row that lists its
// entity's terms are written together, but an unclean stop may have lost one of two
// updates, and a full disk or a stop may have come between the parts of what was gathered:
// then the index is behind the journal. So both are compared once at a start with either,
// before anything is applied: what does not fit is taken away and its entity folded again.

// checkLines does so. What it finds is made good by the fold that follows.
func (p *Projection) checkLines() error {
	for {
		var wrong []termRow
		err := p.index.View(func(r index.Reader) (err error) {
			wrong, err = wrongLines(r, mostWrong)
			return err
		})
		if err != nil || len(wrong) == 0 {
			return err
		}
		err = p.index.Update(func(w index.Writer) (err error) {
			for _, t := range wrong {
				err = errors.Join(err, w.Delete(termKey(t.term, t.of)), w.Delete(termsKey(t.of)), w.Set(dirtyKey(t.of), []byte{1}))
			}
			return err
		})
		if err != nil {
			return err
		}
	}
}

// mostWrong bounds the rows that are made good in one update.
const mostWrong = 256

// termRow is an entity under a term.
type termRow struct {
	term string
	of   event.Key
}

// wrongLines lists rows of terms whose line is not that of the entity, and terms of an
// entity without such a row, at most about n.
func wrongLines(r index.Reader, n int) (wrong []termRow, err error) {
	for _, start := range ledger.LineTerms {
		err := r.Scan(row('i', []byte(start)), nil, false, func(k, short []byte) (bool, error) {
			term, entity, _ := bytes.Cut(k[2:], []byte{0})
			value, _, err := r.Get(row('t', entity))
			terms, line, _ := bytes.Cut(value, []byte{0, 0})
			if err == nil && (!lists(terms, term) || !bytes.HasPrefix(line, short)) {
				wrong = append(wrong, termRow{string(term), parseEntity(entity)})
			}
			return len(wrong) < n, err
		})
		if err != nil || len(wrong) >= n {
			return wrong, err
		}
	}
	err = r.Scan(row('t', []byte(event.KindBag), []byte{0}), nil, false, func(k, value []byte) (bool, error) {
		terms, _ := splitTerms(value)
		for _, term := range terms {
			if !ledger.HoldsLine(term) {
				continue
			}
			of := parseEntity(k[2:])
			if there, err := r.Has(termKey(term, of)); err != nil {
				return false, err
			} else if !there {
				wrong = append(wrong, termRow{term, of})
			}
		}
		return len(wrong) < n, nil
	})
	return wrong, err
}
