package engine

import (
	"fmt"
	"math"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// inputs checks the fields of one plan in order and remembers the first refusal,
// so that a plan reads its inputs as a list and asks once whether all were good.
// After a refusal the values it returns must not be used.
type inputs struct {
	basis *Basis // takes the cautions
	err   error  // the first refusal
}

// refuse records the first refusal.
func (c *inputs) refuse(r *refusal.Error) {
	if c.err == nil {
		c.err = r
	}
}

// one checks a value that must be there.
func (c *inputs) one(b bounds, v float64) float64 {
	raised, err := b.check(v)
	if err != nil && c.err == nil {
		c.err = err
	}
	c.basis.caution(raised...)
	return v
}

// or checks an optional value; absent takes the default.
func (c *inputs) or(b bounds, v *float64, absent float64) float64 {
	if v == nil {
		return absent
	}
	return c.one(b, *v)
}

// need checks a value for which nothing stands in; what says what it is.
func (c *inputs) need(b bounds, v *float64, what string) float64 {
	if v == nil {
		c.refuse(refusal.New(b.field, "not given", what))
		return 0
	}
	return c.one(b, *v)
}

// span checks a range: both ends within bounds, and low <= mid <= high. An
// unusual range is cautioned once, by its first unusual end.
func (c *inputs) span(b bounds, r Range) Range {
	var unusual []caution.Raised
	for _, v := range [3]float64{r.Mid, r.Low, r.High} {
		raised, err := b.check(v)
		if err != nil && c.err == nil {
			c.err = err
		}
		if len(unusual) == 0 {
			unusual = raised
		}
	}
	c.basis.caution(unusual...)
	if r.Low > r.Mid || r.Mid > r.High {
		c.refuse(refusal.New(b.field, fmt.Sprintf("%s, %s, %s", num(r.Low), num(r.Mid), num(r.High)), "low, middle and high in rising order"))
	}
	return r
}

// text prints a range for people: one number when it has no width.
func (r Range) text() string {
	var room [64]byte
	return string(r.append(room[:0]))
}

func (r Range) append(out []byte) []byte {
	out = appendNum(out, r.Mid)
	if r.Low == r.High {
		return out
	}
	out = appendNum(append(out, " ("...), r.Low)
	out = appendNum(append(out, " to "...), r.High)
	return append(out, ')')
}

// finite says that a result can be shown.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
