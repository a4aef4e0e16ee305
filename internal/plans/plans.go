package plans

import (
	"math"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Plans is the PlanService: it turns messages into the engine's inputs and its
// results back, and adds nothing of its own. It needs no store.
type Plans struct {
	pb.UnimplementedPlanServiceServer
	// Now is the one clock; only the state of a bag 'as of now' asks for it.
	Now func() time.Time
}

// answer ends every plan.
func answer[T any](result *T, err error) (*T, error) {
	if err != nil {
		return nil, err
	}
	return result, nil
}

// needs reads the values that a plan cannot do without and remembers the first
// one that was not given.
type needs struct{ err error }

func (n *needs) refuse(err error) {
	if n.err == nil {
		n.err = err
	}
}

// number is a value that must be there.
func (n *needs) number(field string, v *float64, want string) float64 {
	if v == nil {
		n.refuse(refusal.New(field, "not given", want))
		return math.NaN()
	}
	return *v
}

// count is a whole number that must be there.
func (n *needs) count(field string, v *int32, want string) int {
	if v == nil {
		n.refuse(refusal.New(field, "not given", want))
		return 0
	}
	return int(*v)
}

// band reads LOW-HIGH, with decimal points or commas; nothing is no band.
func (n *needs) band(field, text string) *engine.Band {
	if text == "" {
		return nil
	}
	const want = "LOW-HIGH in g/L, such as 4-8"
	low, high, found := strings.Cut(strings.ReplaceAll(text, "\u2013", "-"), "-")
	if !found || strings.TrimSpace(low) == "" || strings.TrimSpace(high) == "" {
		n.refuse(refusal.New(field, text, want))
		return nil
	}
	return &engine.Band{Low: n.part(field, text, low, want), High: n.part(field, text, high, want)}
}

// igg reads the four ways to tell an IgG.
func (n *needs) igg(gPerL, mgPerDL *float64, band string, unknown bool) engine.IgGReading {
	return engine.IgGReading{IgGGPerL: gPerL, IgGMgPerDL: mgPerDL, IgGBand: n.band("igg_band", band), IgGUnknown: unknown}
}

// basis is the part that every answer has.
type basis struct {
	cautions                 []*pb.Caution
	steps, sources, versions []string
}

func basisOf(b engine.Basis) basis {
	return basis{wording.Cautions(b.Cautions), b.Steps, b.Sources, b.Versions}
}

func span(r engine.Range) *pb.Span { return &pb.Span{Low: r.Low, Mid: r.Mid, High: r.High} }

// spanOf is a range that may be unknown.
func spanOf(r *engine.Range) *pb.Span {
	if r == nil {
		return nil
	}
	return span(*r)
}

// around is an optional value with the ends that were given, else without width.
// Ends without their middle are refused.
func (n *needs) around(field string, mid, low, high *float64) *engine.Range {
	if mid == nil {
		if low != nil || high != nil {
			n.refuse(refusal.New(field, "not given", "the middle value between its low and high end"))
		}
		return nil
	}
	r := engine.Exactly(*mid)
	if low != nil {
		r.Low = *low
	}
	if high != nil {
		r.High = *high
	}
	return &r
}

// above0 is a value that the engine leaves at 0 when it is not known.
func above0(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func whole(v *int32) *int {
	if v == nil {
		return nil
	}
	n := int(*v)
	return &n
}

// pairOf reads a typed pair such as 40=52: two numbers parted by mark.
func (n *needs) pairOf(field, text, mark, want string) (first, second float64) {
	left, right, found := strings.Cut(text, mark)
	if !found {
		n.refuse(refusal.New(field, text, want))
		return math.NaN(), math.NaN()
	}
	return n.part(field, text, left, want), n.part(field, text, right, want)
}

// part reads one number of a longer text.
func (n *needs) part(field, whole, part, want string) float64 {
	v, err := label.ParseDecimal(field, strings.TrimSpace(part))
	if r, ok := refusal.As(err); ok {
		n.refuse(refusal.New(field, whole, want).Because(r.Hint))
	}
	return v
}
