package bench

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// runningReplica is a server or an agent that runs in this process.
type runningReplica struct {
	addr string
	conn *grpc.ClientConn
	stop func() error
}

func startServer(ctx context.Context, dir string, c clock.Clock) (*runningReplica, error) {
	return startServerOf(ctx, server.Config{Data: dir, Clock: c})
}

func startServerOf(ctx context.Context, cfg server.Config) (*runningReplica, error) {
	return start(ctx, cfg.Data, func(ctx context.Context, ready func(string)) error {
		cfg.Secret, cfg.Listen, cfg.Name, cfg.Ready = secret(), "127.0.0.1:0", "clinic", ready
		return server.Run(ctx, cfg)
	})
}

func startAgent(ctx context.Context, dir, server string, c clock.Clock) (*runningReplica, error) {
	return start(ctx, dir, func(ctx context.Context, ready func(string)) error {
		return agent.Run(ctx, agent.Config{Data: dir, Secret: secret(), Server: server, Listen: "127.0.0.1:0", Name: "laptop", Clock: c, Ready: ready})
	})
}

// start runs a replica and returns as soon as it listens.
func start(ctx context.Context, dir string, run func(ctx context.Context, ready func(string)) error) (*runningReplica, error) {
	ctx, cancel := context.WithCancel(ctx)
	var group errgroup.Group
	ready := make(chan string, 1)
	failed := make(chan error, 1)
	group.Go(func() error {
		err := run(ctx, func(addr string) { ready <- addr })
		failed <- err
		return err
	})
	r := &runningReplica{stop: func() error { cancel(); return stopped(group.Wait()) }}
	select {
	case r.addr = <-ready:
	case err := <-failed:
		cancel()
		return nil, fmt.Errorf("a replica ended before it was ready: %w", err)
	}
	here, err := doorOf(dir)
	if err != nil {
		return nil, errors.Join(err, r.stop())
	}
	stop := r.stop
	r.conn, r.stop = here.conn, func() error { _ = here.conn.Close(); return stop() }
	return r, nil
}

// doorOf goes to a replica as a command of its machine does.
func doorOf(dir string) (*runningReplica, error) {
	door, err := local.OfData(dir)
	if err != nil {
		return nil, err
	}
	target, options := door.Target()
	conn, err := grpc.NewClient(target, options...)
	return &runningReplica{conn: conn}, err
}

// stopped is nil for a replica that says no more than that it was stopped.
func stopped(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return ended(err)
}

// status asks a replica how far it is.
func (r *runningReplica) status(ctx context.Context) (*pb.GetStatusResponse, error) {
	return pb.NewAuditServiceClient(r.conn).GetStatus(ctx, &pb.GetStatusRequest{})
}

// answers waits until a question about a case is answered: a query passes every
// record that was saved before it.
func (r *runningReplica) answers(ctx context.Context, id string) error {
	_, err := pb.NewCaseServiceClient(r.conn).GetCase(ctx, &pb.GetCaseRequest{Case: id})
	return err
}

// pollEvery is how often waiting measures look.
const pollEvery = 2 * time.Millisecond

// until looks again and again until ok.
func until(ctx context.Context, ok func() (bool, error)) error { return every(ctx, pollEvery, ok) }

// every looks at this pace until ok.
func every(ctx context.Context, pace time.Duration, ok func() (bool, error)) error {
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for {
		if done, err := ok(); done || err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}
