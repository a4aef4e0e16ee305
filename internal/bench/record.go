package bench

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	pb "thawtrail/proto/thawtrail/v1"
)

// fsyncs appends a record's size to a file and syncs it, n times.
func (l *lab) fsyncs(n int64) (times []time.Duration, err error) {
	dir, err := l.folder("fsync")
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(filepath.Join(dir, "file"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	line := make([]byte, 400)
	for range n {
		watch := stopwatch()
		if _, err := f.Write(line); err != nil {
			return nil, err
		}
		if err := f.Sync(); err != nil {
			return nil, err
		}
		times = append(times, watch())
	}
	return times, nil
}

// entries opens cases and writes vitals for them, one after the other, as a
// command does; it ends after n, or when over says so.
func entries(ctx context.Context, lap *runningReplica, author string, n int64, over func() bool) (times []time.Duration, err error) {
	client := pb.NewRecordServiceClient(lap.conn)
	var id string
	for i := int64(0); i < n && !over(); i++ {
		if i%30 == 0 { // a night has about so many looks at a patient
			opened, err := client.Write(ctx, &pb.WriteRequest{Author: author, Entry: &pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{
				Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: fmt.Sprintf("Quiet Harbour %d", i), Sex: pb.Sex_SEX_FILLY}}}})
			if err != nil {
				return nil, err
			}
			id = opened.Made[0]
		}
		req := &pb.WriteRequest{Author: author, Entry: &pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: &pb.VitalsNoted{
			Case: id, HeartRate: new(int32(96)), BreathingRate: new(int32(36)), TemperatureDc: new(int32(384))}}}}
		watch := stopwatch()
		if _, err := client.Write(ctx, req); err != nil {
			return nil, err
		}
		times = append(times, watch())
	}
	return times, nil
}

const fsyncLimit = "one append of 400 bytes with a sync, on the same disk; the target is that and 0.5 ms (p50), and 5 ms (p99)"

// recordMeasure times a vet's entry until 'saved here': on a quiet laptop, and
// while it takes 100,000 records from the server.
func recordMeasure(ctx context.Context, l *lab) ([]Result, error) {
	syncs, err := l.fsyncs(l.size(500))
	if err != nil {
		return nil, err
	}
	quiet, err := l.quietEntries(ctx)
	if err != nil {
		return nil, err
	}
	busy, pulled, err := l.busyEntries(ctx)
	if err != nil {
		return nil, err
	}
	out := []Result{timed("record_one", quiet, syncs), timed("record_one_pulling", busy, syncs)}
	out[1].More["records_when_done"] = pulled
	return out, nil
}

func timed(name string, times, limits []time.Duration) Result {
	r := against(name, int64(len(times)), median(times), median(limits), fsyncLimit)
	r.More["p50_ms"], r.More["p99_ms"] = ms(median(times)), ms(percentile(times, 99))
	r.More["fsync_p50_ms"], r.More["fsync_p99_ms"] = ms(median(limits)), ms(percentile(limits, 99))
	r.More["over_fsync_p50_ms"] = ms(median(times) - median(limits))
	return r
}

func (l *lab) quietEntries(ctx context.Context) (times []time.Duration, err error) {
	dir, err := l.folder("alone")
	if err != nil {
		return nil, err
	}
	lap, err := startAgent(ctx, dir, "", clock.System{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	return entries(ctx, lap, "", l.size(500), func() bool { return false })
}

// busyEntries writes for as long as a laptop that knows its practice, and nothing
// since, takes a server's records. The server is a process of its own.
func (l *lab) busyEntries(ctx context.Context) (times []time.Duration, records int64, err error) {
	from, err := l.hub(ctx, l.size(100_000))
	if err != nil {
		return nil, 0, err
	}
	p, err := l.practice(ctx)
	if err != nil {
		return nil, 0, err
	}
	hub, err := l.copied(from)
	if err != nil {
		return nil, 0, err
	}
	laptop, err := l.copied(p.second)
	if err != nil {
		return nil, 0, err
	}
	srv, err := l.serverApart(ctx, hub)
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, srv.stop()) }()
	lap, err := startAgent(ctx, laptop, srv.addr, clock.System{})
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	var done atomic.Bool
	var group errgroup.Group
	group.Go(func() error { // looks seldom, since looking folds what has come
		for {
			st, err := lap.status(ctx)
			if records = st.GetRecords(); err != nil || records >= from.records {
				done.Store(true)
				return err
			}
			time.Sleep(200 * time.Millisecond)
		}
	})
	times, err = entries(ctx, lap, vetName, 100_000, done.Load)
	return times, records, errors.Join(err, group.Wait())
}
