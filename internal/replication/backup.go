package replication

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"thawtrail/internal/bundle"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// BackupCode is the code that opens every backup of this machine.
func (r Bundles) BackupCode() (bundle.Code, error) { return bundle.CodeOf(r.BackupKey.Secret) }

// How far a backup runs after what is saved while it is written.
const (
	backupRounds  = 20
	backupSettled = 200 // records that came in a round, and are as good as none
)

// Backup writes a backup of all records held here, or the rest of one that was broken
// off. What is saved while it is written is in it too: its end names the moment until
// which that is so. Written.Anew says, in place of writing, why a new one must be begun.
func (r Bundles) Backup(ctx context.Context, to io.Writer, on *pb.BackupMark) (out Written, err error) {
	if r.Joined == nil {
		return out, refusal.Conflict("data", r.Name, "a folder that belongs to a practice").
			Because("copy the folder of a laptop that works alone, while its program is stopped")
	}
	code, err := r.BackupCode()
	if err != nil {
		return out, err
	}
	b := &backingUp{Bundles: r, reached: map[event.LogID]uint64{}}
	if on != nil {
		var plan []exchange.HeldLog
		if plan, out.Anew = r.goesOn(on); out.Anew != "" {
			return out, nil
		}
		for _, at := range on.Reached {
			if log, ok := event.ToHash(at.Log); ok {
				b.reached[log] = at.Next
			}
		}
		if b.w, err = bundle.GoOn(to, code, on); err != nil {
			return out, err
		}
		err = b.logs(ctx, plan)
	} else {
		err = b.begin(ctx, to, code)
	}
	if err != nil {
		return out, err
	}
	if out.UntilUs, err = b.untilQuiet(ctx); err != nil {
		return out, err
	}
	held, err := r.Store.HandedOn()
	if err != nil {
		return out, err
	}
	out.Omitted, out.Records = r.omitted(held), b.w.Records()
	return out, b.w.CloseAt(out.UntilUs)
}

// goesOn says what a backup that was broken off had set out to carry, or why it cannot be
// gone on with.
func (r Bundles) goesOn(on *pb.BackupMark) (plan []exchange.HeldLog, anew string) {
	head := on.GetHead()
	switch {
	case head.GetPractice() != r.Joined.Practice || string(head.GetFounding()) != string(r.Joined.Founding):
		return nil, fmt.Sprintf("it was begun for another practice, %q", refusal.Shorten(head.GetPracticeName()))
	case string(head.GetDevice()) != string(r.Store.Device()):
		return nil, fmt.Sprintf("it was begun by another machine, %q", refusal.Shorten(head.GetDeviceName()))
	}
	for _, l := range head.Logs {
		h, err := exchange.HeldFromPB([]*pb.HeldLog{l.GetHeld()})
		if err != nil || len(h) != 1 {
			return nil, "what it set out to carry cannot be read"
		}
		for _, tip := range h[0].Tips {
			if has, err := r.Store.Has(h[0].Log, tip); err != nil || !has {
				return nil, fmt.Sprintf("what is held here has changed: record %d of %q, which it was to carry, is not here", tip.Seq+1, l.DeviceName)
			}
		}
		plan = append(plan, h[0])
	}
	return plan, ""
}

// backingUp is a backup that is being written.
type backingUp struct {
	Bundles
	w       *bundle.Writer
	keys    int // keys of sealed fields that are in it
	reached map[event.LogID]uint64
}

func (b *backingUp) begin(ctx context.Context, to io.Writer, code bundle.Code) error {
	if err := b.saveAgain(ctx); err != nil {
		b.Log.Error("what is stranded could not be saved again; the backup leaves it out and says so", "error", err)
	}
	held, err := b.Store.HandedOn()
	if err != nil {
		return err
	}
	head := b.bundleHead(held, "")
	head.Server = b.BackupKey.Server
	if b.w, err = bundle.NewBackup(to, code, b.Random, head); err != nil {
		return err
	}
	if b.keys, err = b.writeKeys(b.w, 0); err != nil {
		return err
	}
	return b.logs(ctx, held)
}

// logs writes what is not in the file yet of these logs.
func (b *backingUp) logs(ctx context.Context, held []exchange.HeldLog) error {
	for _, h := range urgentFirst(held) {
		next, err := b.writeLog(ctx, b.w, h, b.reached[h.Log])
		if err != nil {
			return err
		}
		b.reached[h.Log] = next
	}
	return nil
}

// untilQuiet writes what was saved meanwhile, round after round, until a round brings
// next to nothing. All that was saved before the moment that it gives is in the file.
func (b *backingUp) untilQuiet(ctx context.Context) (untilUs int64, err error) {
	for range backupRounds {
		before := b.w.Records()
		untilUs = b.Clock.Now().UnixMicro()
		if err := b.Store.CatchUp(ctx); err != nil {
			return 0, err
		}
		held, err := b.Store.HandedOn()
		if err != nil {
			return 0, err
		}
		if b.keys, err = b.writeKeys(b.w, b.keys); err != nil {
			return 0, err
		}
		if err := b.logs(ctx, held); err != nil {
			return 0, err
		}
		if b.w.Records()-before <= backupSettled {
			break
		}
	}
	return untilUs, nil
}

// Backed is what is in a backup, once every record of it was verified.
type Backed struct {
	Head    *pb.ParcelHead
	Records int64
	Logs    int
	UntilUs int64 // all that was saved until then is in it
	Bytes   int64
	Founded bool     // the record that founded the practice is in it
	Wrong   []string // what did not verify, in words
}

// Restores says that a server can be made of it whole.
func (b *Backed) Restores() bool { return b.Founded && len(b.Wrong) == 0 }

// Until is the moment until which all that was saved is in the file.
func (b *Backed) Until() time.Time {
	us := b.UntilUs
	if us == 0 {
		us = b.Head.GetWallUs() // of a file that is carried, all until it was begun
	}
	return time.UnixMicro(us)
}

// VerifyBackup reads a backup, or a file of records that is carried, to its end: each
// record's form, its place in the chain of its log, and the signatures that vouch for it.
// It keeps nothing, and remembers one run of each log.
func VerifyBackup(ctx context.Context, file io.ReadSeeker, code bundle.Code) (out Backed, err error) {
	reader, err := rewind(file, code)
	if err != nil {
		return out, unreadable(err)
	}
	out.Head = reader.Head
	v := &verifying{out: &out, logs: map[event.LogID]*exchange.LogState{}}
	for {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		_, run, err := reader.Next()
		switch {
		case errors.Is(err, io.EOF):
			out.Records, out.Bytes, out.UntilUs, out.Logs = reader.Records(), reader.Bytes(), reader.End.WallUs, len(v.logs)
			return out, nil
		case err != nil:
			return out, unreadable(err)
		case run != nil:
			v.take(run)
		}
	}
}

type verifying struct {
	out  *Backed
	logs map[event.LogID]*exchange.LogState
}

func (v *verifying) take(run *pb.Run) {
	log, _ := event.ToHash(run.Log)
	have, ok := v.logs[log]
	if !ok {
		have = &exchange.LogState{HeldLog: exchange.HeldLog{Log: log}}
	}
	got := exchange.Check(run, *have)
	if got.Refused != nil && len(v.out.Wrong) < maxNamed {
		v.out.Wrong = append(v.out.Wrong, got.Refused.Error())
	}
	if len(got.Accept) == 0 {
		return
	}
	var ends []exchange.Point // of the last place: what follows joins on there
	last := got.Accept[len(got.Accept)-1].Seq()
	for _, rec := range got.Accept {
		v.out.Founded = v.out.Founded || string(rec.Hash[:]) == string(v.out.Head.Founding)
		if rec.Seq() == last {
			ends = append(ends, exchange.PointOf(rec))
		}
	}
	state := got.State
	state.At = func(seq uint64) []exchange.Point {
		if seq == last {
			return ends
		}
		return nil
	}
	v.logs[log] = &state
}

// MarkOf reads a backup that may have been broken off, up to the last part that is whole.
// mark is where to go on, nil when nothing of it can be used; end is where that part ends
// in the file; whole says that nothing is missing.
func markOf(ctx context.Context, file io.ReadSeeker, code bundle.Code) (mark *pb.BackupMark, end int64, whole bool, err error) {
	reader, err := rewind(file, code)
	if err != nil {
		return nil, 0, false, nil // too little of it, or not ours: begun anew
	}
	reached := map[event.LogID]uint64{}
	for err == nil {
		if err = ctx.Err(); err != nil {
			return nil, 0, false, err
		}
		mark, end = reader.Mark(), reader.Bytes()
		var run *pb.Run
		if _, run, err = reader.Next(); run != nil {
			if rec, bad := event.Decode(run.Records[len(run.Records)-1]); bad == nil {
				reached[rec.Log] = rec.Seq() + 1
			}
		}
	}
	if errors.Is(err, io.EOF) {
		return nil, end, true, nil
	}
	for log, next := range reached {
		mark.Reached = append(mark.Reached, &pb.BackupReach{Log: log[:], Next: next})
	}
	slices.SortFunc(mark.Reached, func(a, b *pb.BackupReach) int { return slices.Compare(a.Log, b.Log) })
	return mark, end, false, nil
}
