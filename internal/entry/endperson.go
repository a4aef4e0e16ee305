package entry

import (
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// EndPerson ends all roles and laptops of a person. Each grant and each laptop is ended
// by a record of its own, as when it is typed by its id: what breaks off in the middle is
// gone on with by asking again.
func (w *Writer) EndPerson(ctx context.Context, req *pb.EndPersonRequest) (*pb.EndPersonResponse, error) {
	return w.EndPersonBy(ctx, Actor{Session: pins.CommandLine}, req)
}

// EndPersonBy ends for an actor.
func (w *Writer) EndPersonBy(ctx context.Context, actor Actor, req *pb.EndPersonRequest) (*pb.EndPersonResponse, error) {
	var plan *ending
	err := w.ViewOwn(ctx, func(b *query.ReadView) (err error) {
		if err := event.Typed(req); err != nil {
			return err
		}
		plan, err = view{ReadView: b, replica: w.Replica}.endingOf(req)
		return err
	})
	if err != nil {
		return nil, err
	}
	out := &pb.EndPersonResponse{Laptops: plan.names, Left: plan.left}
	for _, cut := range plan.cuts {
		answer, err := w.WriteBy(ctx, actor, &pb.WriteRequest{Author: req.Author, Entry: &pb.Entry{Body: &pb.Entry_RightsRevoked{RightsRevoked: cut}}})
		if err != nil {
			return nil, err
		}
		out.Records = append(out.Records, answer.Record)
	}
	out.Text = plan.words()
	return out, nil
}

// ending is what is to be ended of a person.
type ending struct {
	person      string // by name
	cuts        []*pb.RightsRevoked
	names, left []string // laptops: those that end, and those of which it is not known whose they are
}

// endingOf gathers what ends: laptops first, and what gives the role owner last, so that
// whoever ends a role of their own can end all of it.
func (b view) endingOf(req *pb.EndPersonRequest) (*ending, error) {
	id, err := b.Resolve("person", event.KindPerson, req.Person)
	if err != nil {
		return nil, err
	}
	rights, err := b.Rights()
	if err != nil {
		return nil, err
	}
	out := &ending{person: b.Person(id)}
	if !rights.Founded() {
		return nil, refusal.Conflict("person", req.Person, "a person with roles: no practice is founded here")
	}
	if last(rights, id) {
		return nil, refusal.Conflict("person", req.Person, "a person beside whom the practice has another owner: give somebody else that role first")
	}
	if !req.KeepLaptops {
		if err := b.endLaptops(rights, id, req.Reason, out); err != nil {
			return nil, err
		}
	}
	grants := rights.GrantsOf(id)
	slices.SortStableFunc(grants, func(x, y ledger.Grant) int { return ownerLast(x) - ownerLast(y) })
	for _, g := range grants {
		out.cuts = append(out.cuts, &pb.RightsRevoked{Grant: g.Record.String(), Reason: req.Reason})
	}
	if len(out.cuts) == 0 {
		return nil, refusal.Conflict("person", req.Person, "a person who has a role or a laptop").Because(leftWords(out.left))
	}
	return out, nil
}

// last says that a person is the only owner.
func last(rights *ledger.Rights, person string) bool {
	owners := map[string]bool{}
	for _, g := range rights.Grants {
		if slices.Contains(rights.Roles(g.Person), pb.Role_ROLE_OWNER) {
			owners[g.Person] = true
		}
	}
	return owners[person] && len(owners) == 1
}

func ownerLast(g ledger.Grant) int {
	if slices.Contains(g.Roles, pb.Role_ROLE_OWNER) {
		return 1
	}
	return 0
}

// endLaptops gathers the laptops that the books say are the person's. This machine is
// never among them: what it wrote about its own end would not count.
func (b view) endLaptops(rights *ledger.Rights, person, reason string, out *ending) error {
	for _, d := range rights.Devices {
		if !rights.Admits(d.Device) || rights.WasServer(d.Device) {
			continue
		}
		name := cmp.Or(d.Name, b.LaptopName(d.Device))
		switch own := bytes.Equal(d.Device, b.replica.Store.Device()); {
		case d.Person == person && own:
			return refusal.Conflict("person", b.Person(person), "a person whose laptop is not this one: end it on another, or with --keep-laptops the roles alone")
		case d.Person == person:
			out.names = append(out.names, name)
			out.cuts = append(out.cuts, &pb.RightsRevoked{Device: d.Device, Reason: reason})
		case d.Person == "" && !own && b.LastWriter(d.Device) == person:
			out.left = append(out.left, name+" ("+hex.EncodeToString(d.Device)[:8]+")")
		}
	}
	return nil
}

// words say what was ended.
func (e *ending) words() string {
	text := say.Text("saved.ended", e.person, len(e.cuts)-len(e.names), len(e.names))
	if len(e.names) > 0 {
		text += " " + say.Text("saved.ended_laptops", strings.Join(e.names, ", "))
	}
	if left := leftWords(e.left); left != "" {
		text += " " + left
	}
	return text
}

// leftWords names the laptops that still count.
func leftWords(left []string) string {
	if len(left) == 0 {
		return ""
	}
	return say.Text("saved.ended_left", strings.Join(left, ", "))
}
