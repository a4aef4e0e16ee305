package exchange

import (
	"errors"
	"fmt"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Why names the reason for which a run, or its end, was not taken.
type Why uint8

// Reasons. Append only.
const (
	// Gap: the run starts past what is held. The sender's belief is out of date.
	Gap Why = iota + 1
	// Detached: the run starts at or below the tip, but the record before it is
	// not held: another branch, or inside a missing run. Send from lower down.
	Detached
	// UnknownLog: the log's opening record is not held and not in the run.
	UnknownLog
	// TooLarge: more bytes in the run or in a record than the limits allow.
	TooLarge
	// TooManyBranches: the log's key has made more forks than are kept.
	TooManyBranches
	// Malformed: not a record, or bytes that no signature covers.
	Malformed
	// WrongLog: a record of another log than the run names.
	WrongLog
	// Newer: the record's layout is newer than this program.
	Newer
	// BrokenPayload: the payload is not the one that the header names.
	BrokenPayload
	// BrokenChain: the record does not follow one in the run or one held.
	BrokenChain
	// BrokenSignature: a signature does not fit the log's key.
	BrokenSignature
	// Unsigned: no record of the run carries a signature, or leads to one.
	Unsigned
	// ClockBack: the hybrid clock is lower than in the record before.
	ClockBack
	// WrongDevice: the header names another device than the log's key is of.
	WrongDevice
	// NoRoom: the log is of no laptop of this practice, and the place for records
	// of strangers is full.
	NoRoom
)

// whys gives each reason its message form and its sentence.
var whys = [...]struct {
	reason pb.RefusedReason
	text   string
}{
	Gap:             {pb.RefusedReason_REFUSED_REASON_GAP, "starts past what is held here"},
	Detached:        {pb.RefusedReason_REFUSED_REASON_GAP, "the record before its first is not held here"},
	UnknownLog:      {pb.RefusedReason_REFUSED_REASON_UNKNOWN_LOG, "the log's opening record is not held here"},
	TooLarge:        {pb.RefusedReason_REFUSED_REASON_TOO_LARGE, "larger than the limits"},
	TooManyBranches: {pb.RefusedReason_REFUSED_REASON_BROKEN, "the log has too many branches"},
	Malformed:       {pb.RefusedReason_REFUSED_REASON_BROKEN, "not a record"},
	WrongLog:        {pb.RefusedReason_REFUSED_REASON_BROKEN, "belongs to another log"},
	Newer:           {pb.RefusedReason_REFUSED_REASON_BROKEN, "needs a newer version of this program"},
	BrokenPayload:   {pb.RefusedReason_REFUSED_REASON_BROKEN, "the payload is not the one that was signed"},
	BrokenChain:     {pb.RefusedReason_REFUSED_REASON_BROKEN, "does not follow the record before"},
	BrokenSignature: {pb.RefusedReason_REFUSED_REASON_BROKEN, "the signature does not fit the log's key"},
	Unsigned:        {pb.RefusedReason_REFUSED_REASON_BROKEN, "no signature vouches for it"},
	ClockBack:       {pb.RefusedReason_REFUSED_REASON_BROKEN, "its clock runs back"},
	WrongDevice:     {pb.RefusedReason_REFUSED_REASON_BROKEN, "its header names another device"},
	NoRoom:          {pb.RefusedReason_REFUSED_REASON_BROKEN, "is of no laptop of this practice, and the room for records of strangers is full"},
}

// Refusal says what of a run was not taken, and why. Nothing from At on was
// taken; what came before may have been.
type Refusal struct {
	Why  Why
	Log  event.LogID
	From uint64 // where the run started
	At   uint64 // the first record that was not taken
	// Held is the newest tip held here after the run; the zero Tip for none.
	Held Tip
	// Text is the sentence of a refusal that came from the other side.
	Text string
}

// Damage says that the run is kept aside for a person: sending it again will not
// help. Else the sender starts lower or sends less.
func (r *Refusal) Damage() bool {
	return r.reason() == pb.RefusedReason_REFUSED_REASON_BROKEN
}

func (r *Refusal) reason() pb.RefusedReason { return whys[r.Why].reason }

// Error is one sentence.
func (r *Refusal) Error() string {
	text := r.Text
	if text == "" {
		text = whys[r.Why].text
	}
	return fmt.Sprintf("log %s, record %d: %s", r.Log.Short(), r.At, text)
}

// PB is the message form.
func (r *Refusal) PB() *pb.Refused {
	out := &pb.Refused{Log: r.Log[:], From: r.From, Reason: r.reason(), Text: whys[r.Why].text}
	if !r.Held.Hash.IsZero() {
		out.Tip = LogTip{r.Log, r.Held}.PB()
	}
	return out
}

// RefusalFromPB reads a refusal of the other side. Its reason is one of Gap,
// UnknownLog, TooLarge and, for all else, BrokenChain; its own words stay in Text.
func RefusalFromPB(m *pb.Refused) (*Refusal, error) {
	log, ok := event.ToHash(m.GetLog())
	if !ok {
		return nil, fmt.Errorf("%w: a refusal that names no log", event.ErrMalformed)
	}
	r := &Refusal{Why: BrokenChain, Log: log, From: m.GetFrom(), At: m.GetFrom(), Text: refusal.Shorten(m.GetText())}
	for _, why := range []Why{Gap, UnknownLog, TooLarge} {
		if whys[why].reason == m.GetReason() {
			r.Why = why
		}
	}
	if m.GetTip() != nil {
		tip, err := TipFromPB(m.Tip)
		if err != nil || tip.Log != log {
			return nil, fmt.Errorf("%w: a refusal with the tip of another log", event.ErrMalformed)
		}
		r.Held = tip.Tip
	}
	return r, nil
}

// whyOf names the reason behind an error of event.Open.
func whyOf(err error) Why {
	switch {
	case errors.Is(err, event.ErrTooLarge):
		return TooLarge
	case errors.Is(err, event.ErrNewer):
		return Newer
	case errors.Is(err, event.ErrPayload):
		return BrokenPayload
	}
	return Malformed
}

// Reasons for which a Pusher sets a log aside that nobody refused.
var (
	errNotTaken = errors.New("the other side answers without taking the records")
	errNoWay    = errors.New("no signature lets the records on: damage in the log held here")
)
