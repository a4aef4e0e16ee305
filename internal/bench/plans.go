package bench

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"runtime"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/plans"
	pb "thawtrail/proto/thawtrail/v1"
)

// planCalls is one usual question for each plan.
func planCalls(p *plans.Plans) map[string]func(context.Context) error {
	return map[string]func(context.Context) error{
		"weigh":        call(p.Weigh, &pb.WeighRequest{Kind: "foal", GirthCm: new(84.0)}),
		"assess":       call(p.Assess, &pb.AssessRequest{AgeH: new(14.0), IggGPerL: new(3.5)}),
		"test":         call(p.Test, &pb.TestRequest{Kind: "semi_quantitative_elisa", CutGPerL: new(8.0), Result: "below", Prevalence: new(0.2)}),
		"dose":         call(p.Dose, &pb.DoseRequest{WeightKg: new(50.0), IggGPerL: new(3.5), DonorIggGPerL: new(18.0), AgeH: new(20.0), BagMl: new(950.0)}),
		"response":     call(p.Response, &pb.ResponseRequest{WeightKg: new(50.0), IggBeforeGPerL: new(3.5), IggAfterGPerL: new(7.4), GivenMl: new(1900.0), DonorIggGPerL: new(18.0)}),
		"protein":      call(p.Protein, &pb.ProteinRequest{WeightKg: new(500.0), TpGPerL: new(40.0), TargetTpGPerL: new(50.0), DonorTpGPerL: new(70.0)}),
		"thaw":         call(p.Thaw, &pb.ThawRequest{HeldAtC: new(37.0), BagThicknessMm: new(40.0), BagMl: new(950.0)}),
		"thaw_cooling": call(p.Thaw, &pb.ThawRequest{BagMl: new(950.0), WaterL: new(15.0), WaterTempC: new(37.0), AirC: new(8.0)}),
		"drip":         call(p.Drip, &pb.DripRequest{WeightKg: new(50.0), VolumeMl: new(950.0), PlateauMlPerKgPerH: new(20.0), DropsPerMl: new(15.0)}),
		"flow":         call(p.Flow, &pb.FlowRequest{CatheterGauge: new(16.0), HeadCm: new(100.0), VolumeMl: new(950.0), WeightKg: new(50.0)}),
		"shelf":        call(p.Shelf, &pb.ShelfRequest{Expiry: "2028-03", ThawedAt: "2026-11-24T02:10:00Z", At: "2026-11-24T03:00:00Z"}),
		"mkt":          call(p.Mkt, &pb.MktRequest{Celsius: []float64{20, 25, 30}, DhOverRK: new(10000.0)}),
		"interval":     call(p.Interval, &pb.IntervalRequest{Events: new(int32(6)), Trials: new(int32(69))}),
		"exact":        call(p.Exact, &pb.ExactRequest{A: new(int32(3)), B: new(int32(1)), C: new(int32(1)), D: new(int32(3))}),
		"demand":       call(p.Demand, &pb.DemandRequest{Foals: new(int32(100)), FailureRate: new(0.16), Service: new(0.95)}),
	}
}

func call[Q, R proto.Message](method func(context.Context, Q) (R, error), q Q) func(context.Context) error {
	return func(ctx context.Context) error {
		_, err := method(ctx, q)
		return err
	}
}

// fixedPlans are the plans at a fixed time.
func fixedPlans() *plans.Plans {
	return &plans.Plans{Now: func() time.Time { return time.Date(2026, 11, 24, 3, 0, 0, 0, time.UTC) }}
}

const (
	planLimit = 20 * time.Microsecond
	planText  = "the target of 20 us, with form, steps and cautions, without the link"
)

// planNames names the results of planMeasure, in their order.
func planNames() []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(planCalls(fixedPlans()))) {
		out = append(out, "plan_"+name)
	}
	return append([]string{"plans"}, out...)
}

// planMeasure times every plan as the services answer it. The first result is the
// slowest.
func planMeasure(ctx context.Context, l *lab) ([]Result, error) {
	calls := planCalls(fixedPlans())
	out := []Result{{Name: "plans"}}
	for _, name := range slices.Sorted(maps.Keys(calls)) {
		r, err := l.planned(ctx, name, calls[name])
		if err != nil {
			return nil, fmt.Errorf("plan %s: %w", name, err)
		}
		if r.Seconds > out[0].Seconds {
			out[0] = r
			out[0].Name, out[0].More = "plans", map[string]any{"slowest": name}
		}
		out = append(out, r)
	}
	return out, nil
}

func (l *lab) planned(ctx context.Context, name string, ask func(context.Context) error) (Result, error) {
	n := l.size(2000)
	best, allocations := time.Hour, uint64(0)
	for range rounds {
		took, made, err := repeated(n, func() error { return ask(ctx) })
		if err != nil {
			return Result{}, err
		}
		best, allocations = min(best, took), made
	}
	r := against("plan_"+name, n, best/time.Duration(n), planLimit, planText)
	r.More["us"], r.More["allocations"] = r.Seconds*1e6, allocations/uint64(n)
	return r, nil
}

// repeated is how long n calls take, and how often they allocate.
func repeated(n int64, fn func() error) (took time.Duration, allocations uint64, err error) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	watch := stopwatch()
	for range n {
		if err := fn(); err != nil {
			return 0, 0, err
		}
	}
	took = watch()
	runtime.ReadMemStats(&after)
	return took, after.Mallocs - before.Mallocs, nil
}

// pickMeasure times the exact choice among sixty bags, over many stocks.
func pickMeasure(ctx context.Context, l *lab) ([]Result, error) {
	p := fixedPlans()
	rng := rand.New(rand.NewChaCha8([32]byte{1}))
	var times []time.Duration
	for range l.size(100) {
		req := &pb.PickRequest{NeedMl: new(float64(500 + rng.IntN(6000))), Place: "north car", At: "2026-11-24T03:00:00Z"}
		for i := range 60 {
			req.Stock = append(req.Stock, &pb.StockBag{
				Id: fmt.Sprintf("B%02d", i), Product: "Foal plasma", Batch: fmt.Sprintf("H%d", rng.IntN(6)), VolumeMl: float64(900 + rng.IntN(120)),
				UseBy: fmt.Sprintf("2027-%02d-01T00:00:00Z", 1+rng.IntN(12)), Place: []string{"north car", "clinic freezer"}[rng.IntN(2)], State: "frozen",
			})
		}
		watch := stopwatch()
		if _, err := p.Pick(ctx, req); err != nil {
			return nil, err
		}
		times = append(times, watch())
	}
	r := against("pick_60", int64(len(times)), median(times), 0, "none; the exact choice for one need, with its form checked, without the link")
	r.More["p99_ms"] = ms(percentile(times, 99))
	return []Result{r}, nil
}
