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
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Bundles writes and reads the records of a replica as files that are carried by
// hand.
type Bundles struct{ *replica.Replica }

// BooksRead is what became of a file of records.
type Outcome struct {
	Head         *pb.ParcelHead
	Records      int64 // in the file
	New          int64 // of them, new here
	Lacking      []string
	SetAside     []string
	NewestWallUs int64 // of all records in the file
}

// Written is what became of a file of records that was written.
type Written struct {
	Records int64
	Omitted []string // what could not be read here and is not in the file, in words
	// Of a backup: until when all is in it, and why it must be begun anew.
	UntilUs int64
	Anew    string
}

// WriteBooks writes all records held here into a file under a new code: whole
// logs, so that a reader whose books are old has no gap. id is the case that is
// handed over with it, empty for none. What this laptop cannot hand on because of
// damage, and no server has, is saved again first.
func (r Bundles) Write(ctx context.Context, to io.Writer, code bundle.Code, id string) (out Written, err error) {
	if r.Joined == nil {
		return out, refusal.Conflict("data", r.Name, "a laptop that has joined a practice").Because("a practice of one has nobody to carry records to")
	}
	if err := r.saveAgain(ctx); err != nil {
		r.Log.Error("what is stranded could not be saved again; the file leaves it out and says so", "error", err)
	}
	held, err := r.Store.HandedOn()
	if err != nil {
		return out, err
	}
	out.Omitted = r.omitted(held)
	w, err := bundle.NewWriter(to, code, r.Random, r.bundleHead(held, id))
	if err != nil {
		return out, err
	}
	if _, err := r.writeKeys(w, 0); err != nil {
		return out, err
	}
	for _, h := range urgentFirst(held) {
		if _, err := r.writeLog(ctx, w, h, 0); err != nil {
			return out, err
		}
	}
	out.Records = w.Records()
	return out, w.Close()
}

// writeKeys writes the keys of sealed fields that came after the first from, and says
// how many there were.
func (r Bundles) writeKeys(w *bundle.Writer, from int) (next int, err error) {
	for {
		keys, next := r.Seals.Since(from, bundle.MaxKeys)
		if len(keys) == 0 {
			return next, nil
		}
		if err := w.Keys(keys); err != nil {
			return from, err
		}
		from = next
	}
}

// saveAgain saves again what is stranded on this laptop, except behind what a
// statement of the server says that it holds.
func (r Bundles) saveAgain(ctx context.Context) error {
	if r.Hub {
		return nil // its laptops hold what it lost, and refill it
	}
	_, err := r.Store.SaveAgain(ctx, func(log event.LogID, seq uint64) (stated bool) {
		if sent, held := r.Link.Reached(log); uint64(max(sent, held)) > seq {
			return true
		}
		err := r.Store.View(ctx, func(v *store.Snapshot) error {
			l, ok, err := store.Get[*ledger.Log](v, event.LogKey(log))
			stated = ok && l.Accepted != nil && l.Accepted.Tip.Seq >= seq
			return err
		})
		return stated || err != nil
	})
	return err
}

// Omitted names what a file that is written now leaves out, in words.
func (r Bundles) Omitted() ([]string, error) {
	held, err := r.Store.HandedOn()
	return r.omitted(held), err
}

// omitted names, by log and place, what the file leaves out because it cannot be read
// here, and what a reader cannot take without it.
func (r Bundles) omitted(held []exchange.HeldLog) (out []string) {
	for _, info := range r.Store.Logs() {
		i, ok := slices.BinarySearchFunc(held, info.ID, func(h exchange.HeldLog, id event.LogID) int { return h.Log.Compare(id) })
		var h exchange.HeldLog
		if ok {
			h = held[i]
		}
		gone := exchange.Joined(h.Missing)
		if next := r.nextOf(h); next <= info.Newest() {
			gone = r.Store.LostIn(info.ID)
		}
		for _, g := range gone {
			if len(out) == maxNamed {
				return append(out, "and more")
			}
			text := fmt.Sprintf("%d of the records of %q (%d to %d of log %s) are damaged here and not in the file", g.To-g.From+1, refusal.Shorten(info.Name), g.From+1, g.To+1, info.ID.Short())
			if behind := h.Tip().Seq; g.To < behind {
				text += fmt.Sprintf("; whoever lacks them cannot take the %d behind them from it", behind-g.To)
			}
			out = append(out, text)
		}
	}
	return out
}

// nextOf is the place behind the end of a log.
func (r Bundles) nextOf(h exchange.HeldLog) uint64 {
	if len(h.Tips) == 0 {
		return 0
	}
	return h.Tip().Seq + 1
}

func (r Bundles) bundleHead(held []exchange.HeldLog, id string) *pb.ParcelHead {
	head := &pb.ParcelHead{
		Practice: r.Joined.Practice, PracticeName: r.Joined.PracticeName, Founding: r.Joined.Founding, Authority: r.Joined.Authority,
		Device: r.Store.Device(), DeviceName: r.Name, WallUs: r.Clock.Now().UnixMicro(), ProgramVersion: replica.Version, Case: id,
	}
	for _, h := range held {
		info, _ := r.Store.Log(h.Log)
		for _, m := range exchange.HeldPB([]exchange.HeldLog{h}) {
			head.Logs = append(head.Logs, &pb.CarriedLog{Held: m, DeviceName: refusal.Shorten(info.Name)})
		}
	}
	return head
}

// urgentFirst puts logs of holds and recalls before all others.
func urgentFirst(held []exchange.HeldLog) []exchange.HeldLog {
	out := slices.Clone(held)
	slices.SortStableFunc(out, func(a, b exchange.HeldLog) int {
		return int(b.Lane) - int(a.Lane)
	})
	return out
}

// writeLog writes one log, from a record on, up to where it ended when it was looked at,
// and over each run that is missing here. next is the first record behind what it wrote.
func (r Bundles) writeLog(ctx context.Context, w *bundle.Writer, h exchange.HeldLog, from uint64) (next uint64, err error) {
	for len(h.Tips) > 0 && from <= h.Tip().Seq {
		run, next, err := r.Store.ReadRun(ctx, h.Log, from, exchange.MaxBatchBytes)
		if err != nil {
			return from, err
		}
		if run == nil || next <= from {
			behind := behindGap(h, from)
			if behind == 0 {
				return from, nil
			}
			from = behind
			continue
		}
		next = upTo(run, h.Tip().Seq, next)
		if err := w.Run(run); err != nil {
			return from, err
		}
		from = next
	}
	return from, nil
}

// upTo cuts off what a run holds behind the end that its log had when it was looked at, so
// that whoever goes on later writes the same run. That end was signed then, and is still;
// a run that would not end at a signature stays as it is.
func upTo(run *pb.Run, tip, next uint64) (nextCut uint64) {
	for n := len(run.Records); n > 0 && next > tip+1; n-- {
		rec, err := event.Decode(run.Records[n-1])
		if err != nil || rec.Seq() == tip && !rec.Signed() {
			return next
		}
		if rec.Seq() <= tip {
			run.Records = run.Records[:n]
			return tip + 1
		}
	}
	return next
}

// behindGap is where to go on behind the missing run at or after seq; 0 for
// nowhere.
func behindGap(h exchange.HeldLog, seq uint64) uint64 {
	for _, m := range h.Missing {
		if m.To >= seq {
			return m.To + 1
		}
	}
	return 0
}

// ReadBooks takes a file of records. It is read twice: first to its end, so that
// nothing is taken of a file that is not whole; then run by run into the store,
// where each is verified as if it had come over a link. what is new and holds is
// saved when it returns.
//
// A file with a case is refused, before anything is taken, when records would be
// missing between what it brings and what is here: half a case is worse than none.
func (r Bundles) Read(ctx context.Context, file io.ReadSeeker, code bundle.Code) (Outcome, error) {
	out, err := Check(ctx, file, code)
	if err != nil {
		return out, err
	}
	if err := r.ours(out.Head); err != nil {
		return out, err
	}
	out.Lacking = r.lacking(out.Head)
	if out.Head.Case != "" && len(out.Lacking) > 0 {
		return out, refusal.Conflict("file", out.Head.DeviceName, "a file that joins on to what is held here; nothing was taken").Because(out.Lacking[0])
	}
	return out, r.Take(ctx, file, code, &out)
}

// CheckBooks reads a file to its end and keeps nothing.
func Check(ctx context.Context, file io.ReadSeeker, code bundle.Code) (out Outcome, err error) {
	reader, err := rewind(file, code)
	if err != nil {
		return out, unreadable(err)
	}
	out.Head = reader.Head
	for err == nil {
		if err = ctx.Err(); err == nil {
			_, _, err = reader.Next()
		}
	}
	if !errors.Is(err, io.EOF) {
		return out, unreadable(err)
	}
	out.Records = reader.Records()
	return out, nil
}

func rewind(file io.ReadSeeker, code bundle.Code) (*bundle.Reader, error) {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read the file: %w", err)
	}
	return bundle.NewReader(file, code)
}

// unreadable words what is wrong with a file, and what to do.
func unreadable(err error) error {
	hint := "copy it again from the laptop that wrote it; nothing was taken"
	for _, known := range []error{bundle.ErrNotOurs, bundle.ErrNewer, bundle.ErrWrongCode, bundle.ErrCutOff, bundle.ErrDamaged} {
		if !errors.Is(err, known) {
			continue
		}
		field := "file"
		switch known {
		case bundle.ErrWrongCode:
			field, hint = "code", "type the code that stood on the screen when this file was written"
		case bundle.ErrNewer:
			hint = "bring this program up to date"
		}
		return refusal.New(field, "(as given)", "a whole file of records and its code").Because(err.Error() + "; " + hint)
	}
	return err
}

// ours refuses the books of another practice.
func (r Bundles) ours(head *pb.ParcelHead) error {
	switch m := r.Joined; {
	case m == nil:
		return refusal.Conflict("file", head.PracticeName, "a laptop that has joined this practice").Because("join first: `thawtrail agent enrol CODE`")
	case m.Practice != head.Practice || string(m.Founding) != string(head.Founding):
		return refusal.Conflict("file", head.PracticeName, "a file of "+m.PracticeName+", to which this machine belongs").Because("nothing was taken")
	}
	return nil
}

// lacking names the records that are neither here nor in a file with this head.
func (r Bundles) lacking(head *pb.ParcelHead) (out []string) {
	for _, l := range head.Logs {
		h, err := exchange.HeldFromPB([]*pb.HeldLog{l.GetHeld()})
		if err != nil || len(h) != 1 {
			continue // the reader has refused such a head
		}
		for _, gap := range gaps(h[0], l.From, r.next(h[0].Log)) {
			out = append(out, fmt.Sprintf("records %d to %d of %q (log %s) are neither here nor in the file", gap.From+1, gap.To+1, l.DeviceName, h[0].Log.Short()))
		}
	}
	return out
}

// next is the first record of a log that is not here.
func (r Bundles) next(log event.LogID) uint64 {
	h, ok := r.Store.HeldOne(log)
	switch {
	case !ok || len(h.Tips) == 0:
		return 0
	case len(h.Missing) > 0:
		return h.Missing[0].From
	}
	return h.Tip().Seq + 1
}

// gaps lists what a file that carries a log from a record on, but for its missing
// runs, leaves out above what is held.
func gaps(h exchange.HeldLog, from, next uint64) (out []exchange.SeqRange) {
	if from > next {
		out = append(out, exchange.SeqRange{From: next, To: from - 1})
	}
	for _, m := range h.Missing {
		if m.To >= next && m.To >= from {
			out = append(out, exchange.SeqRange{From: max(m.From, next), To: m.To})
		}
	}
	return exchange.Joined(out)
}

// TakeBooks saves what a file that was checked brings. It adds to out what was
// new, and what did not verify.
func (r Bundles) Take(ctx context.Context, file io.ReadSeeker, code bundle.Code, out *Outcome) error {
	reader, err := rewind(file, code)
	if err != nil {
		return unreadable(err)
	}
	intake, writer := newKeyIntake(r.Replica, maxInFile), exchange.DeviceID{}
	for {
		keys, run, err := reader.Next()
		switch {
		case errors.Is(err, io.EOF):
			if out.New > 0 {
				r.carried()
			}
			if err := intake.settle(ctx, writer); err != nil {
				return replica.NotSaved(err)
			}
			return r.Store.CatchUp(ctx)
		case err != nil:
			return unreadable(err)
		case run == nil:
			intake.wait(writer, keys) // they stand before the records that need them
			continue
		}
		results, err := r.takeRun(ctx, run, out)
		if err != nil {
			return err
		}
		if err := intake.take(ctx, writer, nil, results); err != nil {
			return replica.NotSaved(err)
		}
	}
}

func (r Bundles) carried() {
	select {
	case r.Carried <- struct{}{}:
	default: // it is woken already, or there is no link
	}
}

// maxNamed bounds what people are told of runs that did not verify.
const maxNamed = 20

func (r Bundles) takeRun(ctx context.Context, run *pb.Run, out *Outcome) ([]store.RunResult, error) {
	results, err := r.Store.Ingest(ctx, []*pb.Run{run})
	if err != nil {
		return nil, replica.NotSaved(err)
	}
	for _, res := range results {
		out.New += int64(res.Taken)
		for _, rec := range res.Accepted {
			out.NewestWallUs = max(out.NewestWallUs, rec.Head.WallUs)
		}
		if res.Refused == nil {
			continue
		}
		if res.Refused.Damage() {
			quarantine(r.Replica, run, res.Refused)
		}
		if len(out.SetAside) < maxNamed {
			out.SetAside = append(out.SetAside, res.Refused.Error())
		}
	}
	return results, nil
}

// WrittenAt is when the file was written, by its writer's clock.
func (b *Outcome) WrittenAt() time.Time { return time.UnixMicro(b.Head.GetWallUs()) }
