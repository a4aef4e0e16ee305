package ledger

import "slices"

// AsOf is the bag as it stood at a moment past: where it lay or how it had left the
// stock, and how far its clocks ran. It is nil when it had not come in yet. What was
// told later of that time is known by now, and counts.
func (l *BagLine) AsOf(ms int64) (*BagLine, error) {
	books, err := l.ReadBooks()
	if err != nil {
		return nil, err
	}
	last, came := books.lastMove(ms + 1)
	if !came {
		return nil, nil
	}
	then := *l
	then.Place, then.Ended = last.To, ""
	if !last.Is {
		then.Place, then.Ended = last.From, last.How
	}
	then.Clocks = l.Clocks.asOf(ms)
	then.Stays = slices.DeleteFunc(slices.Clone(l.Stays), func(s Stay) bool { return s.FromMs > ms })
	then.Judged = slices.DeleteFunc(slices.Clone(l.Judged), func(j Judged) bool { return j.AtMs > ms })
	return &then, nil
}

// asOf takes off what had not begun yet.
func (c *Clocks) asOf(ms int64) *Clocks {
	if c == nil {
		return nil
	}
	out := *c
	for _, at := range []*int64{&out.SoftenedMs, &out.RefrozenMs, &out.ThawStartedMs, &out.ThawedMs, &out.SetMs} {
		if *at > ms {
			*at = 0
		}
	}
	out.Refrozen = out.RefrozenMs != 0
	if out.ThawStartedMs == 0 && out.ThawedMs == 0 {
		out.KeptAtDc, out.ForCase = nil, ""
	}
	if out == (Clocks{}) {
		return nil
	}
	return &out
}
