package cli

import (
	"crypto/rand"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// entryForm is one event type as it is typed: its own fields, and what every
// entry may say beside them.
type entryForm struct {
	*form
	spec      *event.Spec
	when      *flagOf // occurred_at
	by        *flagOf // author
	overrides *flagOf
	second    *flagOf // who else agreed to go past a hard limit
	requestID *flagOf
	pin       *flagOf
	with      *flagOf // only of a correction: the entry that stands instead
}

// checks are the event types that take --all.
var checks = map[string]bool{"bath_checked": true, "hang_checked": true}

func newEntryForm(spec *event.Spec) *entryForm {
	e := &entryForm{
		form:      newForm(spec.Message(), spec.Rule.GetArgs(), nil),
		spec:      spec,
		when:      &flagOf{name: "when", metavar: metaTime, help: "when it happened, e.g. 02:10 or -20m; now when left out"},
		by:        &flagOf{name: "by", metavar: metaText, help: "entered by: the person's name"},
		overrides: &flagOf{name: "override", metavar: "CODE=REASON", help: "go past a caution, with the reason; may be repeated", many: true},
		second:    &flagOf{name: "second", metavar: metaText, help: "who else agreed, where a hard limit is passed"},
		requestID: &flagOf{name: "request-id", metavar: metaText, help: "the same id twice makes one record"},
		pin:       &flagOf{name: "pin-file", metavar: "FILE", help: "a file with your PIN, for what asks for it"},
	}
	if checks[spec.Name] {
		e.withAll()
	}
	if spec.Type == event.TypeCorrected {
		e.with = &flagOf{name: "with", metavar: "ENTRY", help: "what stands instead, typed like any entry, in quotes"}
		e.flags = append(e.flags, e.with)
	}
	return e
}

// tellsTime says that a time was typed, or another entry that may hold one.
func (e *entryForm) tellsTime() bool {
	return e.when.given() || e.with != nil && e.with.given() || e.form.tellsTime()
}

// bindCommon puts the flags that every entry has into a set.
func (e *entryForm) bindCommon(set *pflag.FlagSet) {
	bindCommon(set, e.when, e.by, e.overrides, e.second, e.requestID, e.pin)
}

// bindCommon marks the flags as common, for the help.
func bindCommon(set *pflag.FlagSet, flags ...*flagOf) {
	bindFlags(set, flags...)
	for _, f := range flags {
		_ = set.SetAnnotation(f.name, noteCommon, nil)
	}
}

// request is the message that writes what was typed.
func (e *entryForm) request(d *console, words []string) (*pb.WriteRequest, error) {
	payload := e.spec.New()
	if err := e.fill(d, payload.ProtoReflect(), words); err != nil {
		return nil, err
	}
	req := &pb.WriteRequest{Author: e.by.text(), RequestId: e.requestID.text()}
	if req.RequestId == "" {
		req.RequestId = rand.Text()
	}
	if e.pin.given() {
		var err error
		if req.Pin, err = d.secretText(e.pin, ""); err != nil {
			return nil, err
		}
	}
	if e.when.given() {
		at, err := d.clock().Moment(e.when.name, e.when.text())
		if err != nil {
			return nil, err
		}
		req.OccurredAt = at
	}
	for _, text := range e.overrides.texts {
		o, err := readOverride(text)
		if err != nil {
			return nil, err
		}
		o.Second = e.second.text()
		req.Overrides = append(req.Overrides, o)
	}
	if c, ok := payload.(*pb.Corrected); ok {
		if err := e.replacement(d, c, req); err != nil {
			return nil, err
		}
	}
	var err error
	req.Entry, err = event.Wrap(e.spec.Type, payload)
	return req, err
}

// replacement reads the entry that stands instead of a corrected one.
func (e *entryForm) replacement(d *console, c *pb.Corrected, req *pb.WriteRequest) error {
	if c.Void == e.with.given() {
		return refusal.New("with", e.with.text(), "either --void, or --with and the entry that stands instead")
	}
	if c.Void {
		return nil
	}
	words, err := splitLine("with", e.with.text())
	if err != nil {
		return err
	}
	instead, err := d.parseEntry(words)
	if err != nil {
		return err
	}
	if instead.Entry.GetCorrected() != nil {
		return refusal.New("with", e.with.text(), "an entry, not another correction")
	}
	req.Replacement, c.OccurredAt = instead.Entry, instead.OccurredAt
	return nil
}

func readOverride(text string) (*pb.Override, error) {
	code, reason, found := strings.Cut(text, "=")
	if !found || strings.TrimSpace(reason) == "" {
		return nil, refusal.New("override", text, "CODE=REASON")
	}
	if _, known := caution.Lookup(code); !known {
		return nil, refusal.New("override", code, "the code of a caution; `thawtrail caution list` shows them")
	}
	return &pb.Override{Code: code, Reason: reason}, nil
}

// entrySpecs lists the event types that have a command.
func entrySpecs() []*event.Spec {
	var out []*event.Spec
	for _, s := range event.All() {
		if s.Rule.GetCommand() != "" {
			out = append(out, s)
		}
	}
	return out
}

// parseEntry reads a whole typed entry, as after `thawtrail`.
func (d *console) parseEntry(words []string) (*pb.WriteRequest, error) {
	for length := min(len(words), 2); length > 0; length-- {
		spec := specOf(strings.Join(words[:length], " "))
		if spec == nil {
			continue
		}
		e := newEntryForm(spec)
		set := pflag.NewFlagSet(spec.Rule.Command, pflag.ContinueOnError)
		set.SetOutput(d.err)
		set.Usage = func() {}
		e.bind(set)
		e.bindCommon(set)
		if err := set.Parse(words[length:]); err != nil {
			return nil, flagError("thawtrail "+spec.Rule.Command, err)
		}
		return e.request(d, set.Args())
	}
	return nil, refusal.New("with", strings.Join(words, " "), "an entry as it is typed, e.g. \"igg 5Q --kind 'barn immunoassay' --igg-g-per-l 3.5\"")
}

// specOf finds an event type by its words.
func specOf(words string) *event.Spec {
	for _, s := range entrySpecs() {
		if s.Rule.Command == words {
			return s
		}
		for _, alias := range s.Rule.GetAliases() {
			if alias == words {
				return s
			}
		}
	}
	return nil
}

// entryCommand is the command of one event type.
func (d *console) entryCommand(spec *event.Spec) *cobra.Command {
	e := newEntryForm(spec)
	cmd := newCommand(e.form, spec.Rule.Command, spec.Rule.Short, spec.Rule.Example)
	e.bindCommon(cmd.Flags())
	link := d.bindLink(cmd.Flags())
	d.completeIDs(cmd, e.form, link)
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		link.inPracticeZone(cmd.Context(), e.tellsTime())
		req, err := e.request(d, words)
		if err != nil {
			return err
		}
		if err := d.inBothUnits(cmd.Context(), interactive()); err != nil {
			return err
		}
		if err := link.askPIN(cmd.Context(), spec, req); err != nil {
			return err
		}
		return link.write(cmd.Context(), req)
	}
	return cmd
}
