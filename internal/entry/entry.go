package entry

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/sync/singleflight"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/say"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/wording"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

// Writer makes records of what people enter.
type Writer struct {
	query.Reader
	requests singleflight.Group // two clicks with one request id are one call
}

// NewWriter writes into a replica.
func NewWriter(r *replica.Replica) *Writer { return &Writer{Reader: query.Reader{Replica: r}} }

// Write makes one record of what a person entered and answers when it is saved
// here. The same request id twice makes one record.
func (w *Writer) Write(ctx context.Context, req *pb.WriteRequest) (*pb.WriteResponse, error) {
	return w.WriteBy(ctx, Actor{Session: pins.CommandLine}, req)
}

// WriteBy writes for an actor.
func (w *Writer) WriteBy(ctx context.Context, actor Actor, req *pb.WriteRequest) (*pb.WriteResponse, error) {
	if req.RequestId == "" {
		return w.write(ctx, actor, req)
	}
	if len(req.RequestId) > maxRequestID {
		return nil, requestTooLong(req)
	}
	// The first caller's context must not end what the second one waits for.
	out, err, _ := w.requests.Do(req.RequestId, func() (any, error) {
		return w.write(context.WithoutCancel(ctx), actor, req)
	})
	if err != nil {
		return nil, err
	}
	return out.(*pb.WriteResponse), nil
}

// maxRequestID bounds what makes one press one record, in bytes.
const maxRequestID = 64

func requestTooLong(req *pb.WriteRequest) error {
	return refusal.New("request_id", req.RequestId, "at most 64 bytes")
}

// savedBefore is said where a request id shows that the record is there.
const savedBefore = "This was saved before; nothing was added."

func (w *Writer) write(ctx context.Context, actor Actor, req *pb.WriteRequest) (*pb.WriteResponse, error) {
	var e *pending
	err := w.ViewOwn(ctx, func(b *query.ReadView) (err error) {
		v := view{ReadView: b, replica: w.Replica}
		if done, ok, err := b.ByRequest(req.RequestId); ok && req.RequestId != "" || err != nil {
			e = &pending{b: v, repeated: done, text: savedBefore}
			return err
		}
		e, err = v.prepare(actor, req)
		return err
	})
	if err != nil {
		return nil, err
	}
	if e.repeated != nil {
		return w.answer(e, e.repeated, query.SavedState(w.Link.StateOf(e.repeated))), nil
	}
	if e.newKeys {
		if err := w.Seals.Save(); err != nil {
			return nil, fmt.Errorf("not saved: the keys of sealed fields could not be written: %w", err)
		}
	}
	e.draft.Proof, e.noProof = w.proofOf(e, actor, req)
	recs, err := w.Store.Append(ctx, e.draft)
	if err != nil {
		return nil, replica.NotSaved(err)
	}
	if _, ok := e.payload.(*pb.ClientForgotten); ok {
		// Whoever is told that it is saved must not read the words any more.
		if err := w.DropForgotten(ctx); err != nil {
			w.Log.Error("keys of a forgotten client are not dropped yet; it is tried again", "error", err)
		}
	}
	e.cautions = append(e.cautions, w.roomLeft()...)
	return w.answer(e, recs[0], w.justSaved()), nil
}

var diskNearlyFull = caution.Define("disk_nearly_full", caution.Caution,
	"This is saved, but the disk of this machine is nearly full: about %d more entries fit (%d kB). Delete something soon.")

// entryBytes is what an entry takes on the disk, rather more than less.
const entryBytes = 1 << 10

// roomLeft warns whoever writes on a disk that is nearly full.
func (w *Writer) roomLeft() []caution.Raised {
	left, short := w.Store.Room()
	if !short {
		return nil
	}
	return []caution.Raised{diskNearlyFull.With(left/entryBytes, left/1000)}
}

// justSaved is how far a record has come that was saved a moment ago: nobody else
// can have it yet.
func (w *Writer) justSaved() pb.SavedState {
	if w.Hub {
		return query.SavedState(exchange.HeldOnServer)
	}
	return query.SavedState(exchange.SavedHere)
}

// view is the read view with the replica behind it: what preparing an entry reads.
type view struct {
	*query.ReadView
	replica *replica.Replica
	trial   bool // nothing will be saved: no keys are made
}

// pending is what a person entered, on its way to become a record.
type pending struct {
	b        view
	spec     *event.Spec
	payload  proto.Message
	at       time.Time
	happened bool               // its time was typed and is past
	rate     *engine.RateJudged // of a noted rate
	dose     string             // of a drug: mL and mg/kg, as the end of a line
	slower   bool               // a rate that goes down: nothing may delay it
	draft    store.Draft
	made     []string
	cautions []caution.Raised
	author   string
	text     string // what is said once it is saved
	noProof  string // why an act that asks for a PIN has no proof
	newKeys  bool
	repeated *event.Record
	original *event.Record    // of a correction: what it corrects
	instead  bool             // these are the words that a correction puts in place
	foreseen []caution.Raised // of a correction: what is raised of the words that it puts in place
}

// Foresee tells what would be raised if an entry were written now, and writes nothing:
// a page shows it before the press.
func (w *Writer) Foresee(ctx context.Context, entry *pb.Entry) (out []*pb.Caution, err error) {
	t, payload, err := event.Unwrap(entry)
	if err != nil {
		return nil, refusal.New("entry", "", "one thing that is to happen")
	}
	err = w.ViewOwn(ctx, func(b *query.ReadView) (err error) {
		e := &pending{b: view{ReadView: b, replica: w.Replica}, payload: withoutTwins(proto.Clone(payload)), at: b.Now()}
		if e.spec, _ = event.Lookup(t); e.spec == nil {
			return refusal.New("entry", t, "an entry that people make")
		}
		if err := e.complete(&pb.WriteRequest{}); err != nil {
			return err
		}
		raised, err := e.raise()
		out = wording.Cautions(raised)
		return err
	})
	return out, err
}

// prepare turns a request into a draft: names to ids, blanks filled in, form and
// rights checked, cautions raised. Nothing is changed by it.
func (b view) prepare(actor Actor, req *pb.WriteRequest) (*pending, error) {
	t, payload, err := event.Unwrap(req.GetEntry())
	if err != nil {
		return nil, refusal.New("entry", "", "one thing that happened")
	}
	e := &pending{b: b, payload: withoutTwins(proto.Clone(payload))}
	e.spec, _ = event.Lookup(t)
	if e.spec == nil || e.spec.Rule.GetInternal() {
		return nil, refusal.New("entry", t, "an entry that people make")
	}
	if e.at, err = b.moment(req.OccurredAt); err != nil {
		return nil, err
	}
	told := b.told(req.OccurredAt, e.at)
	e.happened = told.Source == pb.TimeSource_TIME_SOURCE_TYPED && e.at.Before(b.Now())
	if err := e.complete(req); err != nil {
		return nil, err
	}
	if e.author, err = b.author(actor, req.Author); err != nil && !(req.Author == "" && e.unnamed()) {
		return nil, err
	}
	if err := e.sign(); err != nil {
		return nil, err
	}
	grant, err := b.right(e.spec, e.author)
	if err != nil {
		return nil, err
	}
	if err := e.mayCorrect(); err != nil {
		return nil, err
	}
	if err := e.check(req.Overrides); err != nil {
		return nil, err
	}
	e.draft = store.Draft{
		Type: t, Payload: e.payload, OccurredAt: told, Author: e.author, RequestID: req.RequestId,
		Overrides: e.draft.Overrides, Grant: grant, Engine: engine.Version, Keys: e.draft.Keys, References: e.draft.References,
	}
	e.text = e.sentence()
	if told.Source == pb.TimeSource_TIME_SOURCE_TYPED {
		e.text += " Time: " + b.sayTime(e.at) + "."
	}
	if p, ok := e.payload.(*pb.ClientForgotten); ok {
		left, err := b.PlainLeft(p.Client)
		if err != nil {
			return nil, err
		}
		e.text = strings.TrimSpace(e.text + " " + left)
	}
	return e, e.relate()
}

// relate adds the entities that a record concerns beside those it names: the dam
// sees when a case on her foal is closed or two such cases are linked.
func (e *pending) relate() error {
	var cases []string
	switch p := e.payload.(type) {
	case *pb.CaseClosed:
		cases = []string{p.Case}
	case *pb.Linked:
		if p.Kind == event.KindCase {
			cases = []string{p.First, p.Second}
		}
	}
	for _, id := range cases {
		c, err := e.b.Case(id)
		if err != nil {
			return err
		}
		if c != nil && c.Patient != nil && c.Patient.DamKey != "" {
			e.draft.Keys = append(e.draft.Keys, event.Key{Kind: event.KindDam, ID: c.Patient.DamKey})
		}
	}
	return nil
}

// complete resolves, fills in and seals, then checks the form.
func (e *pending) complete(req *pb.WriteRequest) (err error) {
	if !fromCode(e.payload) { // a code names a case that may not be here yet
		if err := e.b.resolveAll(e.payload); err != nil {
			return err
		}
	}
	if err := event.Typed(e.payload); err != nil && !e.fillsRequired() {
		return err
	}
	if e.made, err = e.b.fill(e.payload, e.at); err != nil {
		return err
	}
	if c, ok := e.payload.(*pb.Corrected); ok {
		if err := e.correct(c, req.Replacement); err != nil {
			return err
		}
	}
	if err := e.seal(); err != nil {
		return err
	}
	return event.Validate(e.payload)
}

// fillsRequired says that filling in may supply what the form requires.
func (e *pending) fillsRequired() bool {
	p, ok := e.payload.(*pb.BagFound)
	return ok && p.Bag != ""
}

// moment is when it happened; now when not told.
func (b view) moment(m *pb.Moment) (time.Time, error) {
	if m == nil {
		return b.Now(), nil
	}
	if _, err := zone.Load(m.Zone); err != nil || len(m.Zone) > 64 {
		return time.Time{}, refusal.New("occurred_at", m.Zone, "a time zone of the tz database, e.g. Europe/Dublin")
	}
	if m.UnixMs <= 0 || m.UnixMs > time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli() {
		return time.Time{}, refusal.New("occurred_at", m.UnixMs, "a time between 1970 and 2100")
	}
	return time.UnixMilli(m.UnixMs), nil
}

// told is the moment as the record keeps it: with the zone and its offset, so
// that no machine's zone table is needed to read it.
func (b view) told(m *pb.Moment, at time.Time) *pb.Moment {
	out := &pb.Moment{UnixMs: at.UnixMilli(), Precision: pb.Precision_PRECISION_SECOND, Source: pb.TimeSource_TIME_SOURCE_NOW}
	if m != nil {
		out = proto.CloneOf(m)
	}
	tz := b.Zone()
	if out.Zone == "" {
		out.Zone = tz.String()
	} else if named, err := zone.Load(out.Zone); err == nil {
		tz = named
	}
	_, offset := at.In(tz).Zone()
	out.UtcOffsetMin = proto.Int32(int32(offset / 60))
	return out
}

// author finds who says so: the person who was switched to at this session, the only
// one who is known, or the one that this laptop joined the practice for.
func (b view) author(actor Actor, text string) (string, error) {
	if actor.Nobody {
		return "", refusal.New("by", text, "a name: nobody is signed on where this was typed")
	}
	if text != "" {
		return b.Resolve("by", event.KindPerson, text)
	}
	if now := typing(b.replica, actor.Session); now != "" {
		return now, nil
	}
	ids, err := b.StartingWith(event.KindPerson, "", 2)
	switch {
	case err != nil || len(ids) == 0:
		return "", err
	case len(ids) == 1:
		return ids[0], nil
	}
	if j := b.replica.Joined; j != nil {
		if is, err := b.Has(event.Key{Kind: event.KindPerson, ID: j.Person}); err != nil || is {
			return j.Person, err
		}
	}
	return "", refusal.New("by", "", "the name of whoever enters this, with --by NAME or once for all by `thawtrail switch NAME`, since several people are known"+b.Known(event.KindPerson))
}

// right finds the grant that the author relies on. A fact needs none to be
// written, only marks; a decision without a right is refused here.
func (b view) right(spec *event.Spec, author string) ([]byte, error) {
	rights, err := b.Rights()
	if err != nil || !rights.Founded() {
		return nil, err
	}
	if grant, ok := rights.GrantFor(author, spec.Rule.GetRoles()); ok {
		return grant[:], nil
	}
	if !spec.Rule.GetDecision() {
		return nil, nil
	}
	return nil, refusal.Fail(refusal.ErrDenied, "%s may not do this: it needs the role %s",
		orNobody(b.Name(event.KindPerson, author)), roleWords(spec.Rule.GetRoles()))
}

func orNobody(name string) string {
	if name == "" {
		return "an unnamed person"
	}
	return name
}

func roleWords(roles []pb.Role) string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = wording.Enum(r)
	}
	return strings.Join(words, " or ")
}

// sign checks that every entry to be signed still waits for a name, and touches
// what they are about.
func (e *pending) sign() error {
	p, ok := e.payload.(*pb.Signed)
	if !ok {
		return nil
	}
	if e.author == "" {
		return refusal.New("by", "", "the name of who signs")
	}
	for _, text := range p.Records {
		r, err := e.b.replica.FindRecord("records", text)
		if err != nil {
			return err
		}
		state, err := e.b.State(r.Primary())
		if err != nil {
			return err
		}
		waits := func(x ledger.Entry) bool { return x.Record == r.Hash && x.Marks.Has(ledger.MarkUnsigned) }
		if state == nil || !slices.ContainsFunc(state.Story(), waits) {
			return refusal.Conflict("records", refusal.Shorten(text), "an entry that was saved without a name and that nobody has signed yet")
		}
		e.draft.Keys = append(e.draft.Keys, r.Touches()...)
		e.draft.References = append(e.draft.References, r.Hash[:])
	}
	return nil
}

// check raises the cautions of the entry. One that takes a reason stops the entry
// until the reason is given; all that are missing are told at once. A fact is not
// stopped by a step that was skipped before it: its record carries the code.
func (e *pending) check(overrides []*pb.Override) error {
	raised, err := e.raise()
	if err != nil {
		return err
	}
	given, err := reasonsIn(overrides)
	if err != nil {
		return err
	}
	raised = append(raised, e.ofReplacement()...)
	e.draft.Overrides = slices.Clone(overrides)
	var missing, alone []caution.Raised
	for _, c := range raised {
		switch {
		case c.Level != caution.Reason:
		case given[c.Code] && !(HardLimit(c.Code) && e.alone(overrides, c.Code)):
		case given[c.Code]:
			alone = append(alone, c)
		case (e.happened || e.slower) && factCodes[c.Code]:
			e.draft.Overrides = append(e.draft.Overrides, &pb.Override{Code: c.Code, Reason: notAsked})
		default:
			missing = append(missing, c)
		}
	}
	e.cautions = raised
	if err := wantReasons(missing); err != nil {
		return err
	}
	return wantSecond(alone)
}

// alone says that nobody beside the author is named as agreeing to go past a caution.
func (e *pending) alone(overrides []*pb.Override, code string) bool {
	for _, o := range overrides {
		second := strings.TrimSpace(o.GetSecond())
		if o.GetCode() == code && second != "" && !strings.EqualFold(second, e.b.Name(event.KindPerson, e.author)) {
			return false
		}
	}
	return true
}

// wantSecond asks who else agrees to go past a hard limit.
func wantSecond(alone []caution.Raised) error {
	if len(alone) == 0 {
		return nil
	}
	return refusal.Conflict("override", alone[0].Code, "a second person who agrees, not the author: --second NAME").Because(alone[0].Text)
}

// notAsked stands for the reason where none may be asked: it has happened, or the rate
// goes down.
const notAsked = "no reason asked: it had happened, or the rate went down"

// maxSecond bounds the name of a second person, in bytes.
const maxSecond = 200

// reasonsIn checks the reasons that were given, by the code of their caution.
func reasonsIn(overrides []*pb.Override) (map[string]bool, error) {
	given := map[string]bool{}
	for _, o := range overrides {
		if _, ok := caution.Lookup(o.GetCode()); !ok {
			return nil, refusal.New("override", o.GetCode(), "the code of a caution")
		}
		if strings.TrimSpace(o.GetReason()) == "" || len(o.GetReason()) > 500 {
			return nil, refusal.New("override", o.GetReason(), "a reason of at most 500 bytes for "+o.GetCode())
		}
		if len(o.GetSecond()) > maxSecond || !utf8.ValidString(o.GetSecond()) {
			return nil, refusal.New("second", o.GetSecond(), "a name of at most 200 bytes")
		}
		given[o.Code] = true
	}
	return given, nil
}

// wantReasons asks for the reasons that are missing.
func wantReasons(missing []caution.Raised) error {
	if len(missing) == 0 {
		return nil
	}
	var flags, texts []string
	for _, c := range missing {
		flags, texts = append(flags, "--override "+c.Code+"='…'"), append(texts, c.Text)
	}
	return refusal.Conflict("override", missing[0].Code, "a reason to go on: "+strings.Join(flags, " ")).Because(strings.Join(texts, " "))
}

// answer words what was saved, with the patient, so that a slip is seen.
func (w *Writer) answer(e *pending, r *event.Record, saved pb.SavedState) *pb.WriteResponse {
	out := &pb.WriteResponse{
		Record: r.Hash.String(), Made: e.made, RepeatedRequest: e.repeated != nil, Cautions: wording.Cautions(e.cautions),
		Saved: saved, Text: e.text, Proof: r.Head.AuthorProof.GetKind(), NoProof: e.noProof,
	}
	if until := query.UndoUntil(r); until.After(e.b.Now()) {
		out.UndoUntil = e.b.At(until)
	}
	return out
}

// sentence says what was saved and, where a patient is concerned, who it is.
func (e *pending) sentence() string {
	tale := e.b.Tell(event.Key{}, e.spec.Type, e.payload, e.at.UnixMilli())
	tale.Text = e.sayTimes(tale.Text) + e.dose
	if d := rateWords(e.rate); d != "" {
		tale.Text += ", " + d
	}
	text := strings.TrimSuffix(tale.String(), ".")
	if p, ok := e.payload.(*pb.CaseOpened); ok {
		return say.Text("saved.of_case", text, p.Case)
	}
	for _, k := range event.KeysOf(e.spec.Type, e.payload, e.at) {
		if who := e.b.PatientLine(k.ID); k.Kind == event.KindCase && !strings.Contains(text, who) {
			return say.Text("saved.of_patient", text, who)
		}
	}
	return say.Text("saved.said", text)
}
