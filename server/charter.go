package server

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/access"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/guess"
	pb "thawtrail/proto/thawtrail/v1"
)

// What the server stands on (who founded the practice, who was let in, who was shut
// out) lies in its journal, and once more in charter.box. Where both places failed it
// cannot tell a laptop of the practice from a stranger, nor from one that was shut out.
// Then it lets nobody in, says why, and takes one kind of call from anybody: Offer.
//
// What is offered proves itself. The founding is the one whose hash the server still
// knows; from there the fold of the rights decides, as it does everywhere, whose
// records count. So nobody can add anything that the practice did not write. But one
// can leave something out: a laptop that was shut out offers books that end before
// that. So what was brought is not enough by itself:
//
//   - while a record is missing inside a log of the practice, it may be a revocation,
//     and the server stays in doubt until all are there;
//   - where not even the index tells any more how far the logs had gone, nobody can
//     say what came last. Then a person says so, who knows who was shut out:
//     `thawtrail losses --seen`.

// charter is how this server stands to its second place.
type charter struct {
	pb.UnimplementedCharterServiceServer
	h     *hub
	books *access.Members
	holes bool // the second place cannot make up for what is missing inside the journal
	end   bool // nor for what came last, and nobody has said that it may go on

	mu    sync.Mutex // one offer at a time; guards the fields below
	tries *guess.Limit
	taken int64 // bytes
}

const (
	// These are told until a person has read them, and taken back once the server knows
	// its practice by itself.
	endGone   = "records are gone from the journal, and with them where its logs ended" + notMadeUp
	holesLeft = "records are missing inside the journal" + notMadeUp
	notMadeUp = ", and charter.box, the second place of founding and members, is not there to make up for it: a laptop that was shut out may not be known as such. " +
		"While the server runs, `thawtrail people` lists who is in and `thawtrail server revoke` shuts out again who must not be; then stop it, say `thawtrail losses --seen`, and start it"

	offersAtOnce = 20          // that bring nothing
	offerEach    = time.Second // one more of them
	maxOffered   = 64 << 20    // bytes taken in one run of the program
)

// members reads who is in, and finds out whether what the journal lost was made up for.
func (h *hub) members(ctx context.Context, links *authority.Links) (*charter, *access.Members, error) {
	c := &charter{h: h, tries: guess.New(offersAtOnce, offerEach, h.replica.Clock.Now())}
	if err := c.look(); err != nil {
		return nil, nil, err
	}
	var err error
	c.books, err = access.NewMembers(ctx, h.replica, links, access.Charter{Doubt: c.doubt, Keep: c.keep})
	return c, c.books, err
}

// look says what the second place cannot make up for. It is told until a person has
// read it, and then is settled.
func (c *charter) look() error {
	if _, whole := c.h.home.Charter(); whole {
		return nil
	}
	told, err := reach.Notices(c.h.home.Dir)
	if err != nil {
		return err
	}
	if c.holes, err = c.unsettled(told, holesLeft, c.h.replica.Store.Damaged()); err != nil {
		return err
	}
	c.end, err = c.unsettled(told, endGone, c.h.gone || c.h.replica.Store.EndsUnknown())
	return err
}

// unsettled says that something is missing, now or by an earlier notice, and that
// nobody has read of it yet.
func (c *charter) unsettled(told []reach.Notice, text string, missing bool) (bool, error) {
	for _, n := range told {
		if n.Text == text {
			missing = !n.Seen
		}
	}
	if !missing {
		return false, nil
	}
	return true, c.tell(text)
}

// doubt says why laptops cannot be told from strangers; empty: they can.
func (c *charter) doubt(_ context.Context, rights *ledger.Rights) (string, error) {
	const cannot = "this server cannot tell who belongs to the practice: "
	const waits = " It waits for a laptop of the practice to bring it"
	switch {
	case !rights.Founded():
		return cannot + "the founding can be read neither in its journal nor in charter.box." + waits, nil
	case !rights.Admits(c.h.replica.Store.Device()):
		return cannot + "what let this server itself in can be read neither in its journal nor in charter.box." + waits, nil
	case c.holes && len(c.h.replica.Store.Lacks(rights.HasDevice)) > 0:
		return cannot + "records of its logs are missing, in its journal and in charter.box, and one may shut a laptop out." + waits, nil
	case c.end:
		return cannot + "the ends of its logs are gone, and charter.box too. Somebody at the server has to say who was shut out: `thawtrail losses` there tells how", nil
	}
	return "", nil
}

// keep brings the second place up to date. Nothing is written while not all of it can
// be read and no older one is there.
func (c *charter) keep(ctx context.Context) error {
	rights, err := c.h.rights(ctx)
	if err != nil {
		return err
	}
	runs, err := c.h.replica.Store.Charter(ctx)
	if err != nil {
		return err
	}
	if _, whole := c.h.home.Charter(); !whole && len(c.h.replica.Store.Lacks(rights.HasDevice)) > 0 {
		return nil
	}
	mended, err := c.h.home.KeepCharter(runs)
	for _, text := range mended {
		err = errors.Join(err, c.tell(text))
	}
	if err != nil {
		return fmt.Errorf("the second place of founding and members: %w", err)
	}
	return reach.Untell(c.h.home.Dir, endGone, holesLeft)
}

// tell says something until a person has read it.
func (c *charter) tell(text string) error {
	c.h.log.Warn(text)
	return reach.Tell(c.h.home.Dir, reach.Notice{FoundUs: c.h.replica.Clock.Now().UnixMicro(), Text: text})
}

// reread compares the two places while the server runs: what the journal has lost is
// brought back at once, and the second place is written anew if it decayed.
func (c *charter) reread(ctx context.Context) error {
	runs, _ := c.h.home.Charter()
	n, err := c.h.replica.Store.BringBackCharter(runs)
	if n > 0 {
		err = errors.Join(err, c.books.Refresh(ctx))
	}
	return errors.Join(err, c.books.Keep(ctx))
}

// Offer takes what a laptop brings, as far as it proves itself, and says what is
// still lacking.
func (c *charter) Offer(ctx context.Context, req *pb.OfferRequest) (*pb.OfferResponse, error) {
	out, err := c.offer(ctx, req)
	return out, rpc.Status(err)
}

func (c *charter) offer(ctx context.Context, req *pb.OfferRequest) (*pb.OfferResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.books.Doubt() == "" {
		return nil, refusal.Fail(refusal.ErrUnavailable, "the server knows its practice again: connect once more")
	}
	now := c.h.replica.Clock.Now()
	if !c.tries.Allows(now) || c.taken > maxOffered {
		return nil, status.Error(codes.ResourceExhausted, "too much was brought to this server at once; try again later")
	}
	out := &pb.OfferResponse{}
	if len(req.Runs) > 0 {
		n, err := c.take(ctx, req.Runs)
		if err != nil {
			return nil, err
		}
		if out.Taken = int32(n); n == 0 {
			c.tries.Wrong()
		}
	}
	rights, err := c.h.rights(ctx)
	if err != nil {
		return nil, err
	}
	out.Lacks = exchange.HeldPB(c.h.replica.Store.Lacks(rights.HasDevice))
	out.Doubt = c.books.Doubt()
	return out, nil
}

// take brings back the runs that count, and looks at the books again.
func (c *charter) take(ctx context.Context, runs []*pb.Run) (int, error) {
	proven, err := c.proven(ctx, runs)
	if err != nil {
		return 0, err
	}
	n, err := c.h.replica.Store.BringBack(proven)
	if err != nil || n == 0 {
		return 0, err
	}
	for _, run := range proven {
		for _, wire := range run.Records {
			c.taken += int64(len(wire))
		}
	}
	c.h.log.Info("a laptop brought back what this server had lost", "records", n)
	if err := c.books.Refresh(ctx); err != nil {
		return n, err
	}
	if err := c.books.Keep(ctx); err != nil {
		c.h.log.Warn("what was brought back is not in its second place yet", "error", err)
	}
	return n, nil
}

// offered is one run that verifies, of a log whose key is known.
type offered struct {
	run  *pb.Run
	recs []*event.Record
	key  ed25519.PublicKey
}

// proven gives those runs that the practice wrote: under the rights that follow from
// what is held and what is offered, each record counts.
func (c *charter) proven(ctx context.Context, runs []*pb.Run) ([]*pb.Run, error) {
	var found []offered
	var inputs []ledger.Input
	for _, run := range runs {
		key := c.h.replica.Store.KeyOf(run, runs)
		recs, err := exchange.Vouched(run, key)
		if err != nil {
			continue // it proves nothing, and is nothing to us
		}
		found = append(found, offered{run, recs, key})
		for _, r := range recs {
			inputs = append(inputs, c.input(r))
		}
	}
	err := c.h.replica.Store.View(ctx, func(v *store.Snapshot) error {
		return v.Records(event.RightsKey, func(r *event.Record) error {
			inputs = append(inputs, c.input(r))
			return nil
		})
	})
	if err != nil {
		return nil, err
	}
	inputs = slices.DeleteFunc(inputs, func(in ledger.Input) bool { return !in.Rec.Rights() })
	rights := ledger.FoldRights(inputs)
	var out []*pb.Run
	for _, o := range found {
		if o.counts(rights) {
			out = append(out, o.run)
		}
	}
	return out, nil
}

// input is a record as the fold of the rights takes it.
func (c *charter) input(r *event.Record) ledger.Input {
	payload, _ := r.Payload() // what cannot be read is folded as such
	return ledger.Input{Rec: r, Payload: payload, Foreign: r.Head.Type == event.TypePracticeFounded && r.Hash != c.h.home.Founding()}
}

// counts says that a laptop or server of the practice wrote the run, and what of it
// makes rights was written by who had the right.
func (o *offered) counts(rights *ledger.Rights) bool {
	return rights.Founded() && rights.HasDevice(event.DeviceID(o.key)) && !slices.ContainsFunc(o.recs, func(r *event.Record) bool {
		s := rights.Standing(r)
		return !s.In || r.Rights() && r.Seq() > 0 && !s.Entitled
	})
}
