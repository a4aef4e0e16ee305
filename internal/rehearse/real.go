package rehearse

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc"

	"thawtrail/internal/say"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	askRealEvery = 3 * time.Second
	realAnswers  = 5 * time.Second
)

// watchReal asks the real agent of this laptop what stands and is due there. It asks one
// question, over and over, and writes nothing.
func (a *act) watchReal(ctx context.Context) {
	address := a.stage.cfg.Real
	if address == "" {
		return
	}
	target, options := local.Target(address)
	conn, err := grpc.NewClient(target, options...)
	if err != nil {
		a.stage.cfg.Log.Warn("the real laptop cannot be asked", "address", address, "error", err)
		return
	}
	defer conn.Close()
	for answered := false; ctx.Err() == nil; {
		says, err := askReal(ctx, pb.NewCaseServiceClient(conn))
		answered = answered || err == nil
		if err != nil && answered {
			says = []string{say.Text("rehearsal.real_silent")}
		}
		a.tellReal(says)
		select {
		case <-ctx.Done():
		case <-time.After(askRealEvery):
		}
	}
}

// tellReal puts what the real laptop says before the one who rehearses.
func (a *act) tellReal(says []string) {
	a.mu.Lock()
	same := slices.Equal(a.real, says)
	a.real = says
	a.mu.Unlock()
	if !same {
		a.wake()
	}
}

// askReal tells what the real laptop has to say: holds on bags in use, alarms that
// stand, what is overdue.
func askReal(ctx context.Context, cases pb.CaseServiceClient) (says []string, err error) {
	ctx, cancel := context.WithTimeout(ctx, realAnswers)
	defer cancel()
	now, err := cases.GetNow(ctx, &pb.GetNowRequest{})
	if err != nil {
		return nil, err
	}
	if len(now.HoldsInUse) > 0 {
		says = append(says, say.Text("rehearsal.real_hold"))
	}
	for _, c := range now.Running {
		if c.Alarm != "" {
			says = append(says, say.Text("rehearsal.real_alarm", c.Patient, c.Alarm))
		}
	}
	for _, d := range now.Due {
		if d.Overdue {
			says = append(says, say.Text("rehearsal.real_overdue", d.What+" "+d.Bag))
		}
	}
	return says, nil
}
