package query

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListClients lists clients by name. Names are sealed, so no index holds them: each is
// opened and compared, and only so many are kept as the answer has room for.
func (s Reader) ListClients(ctx context.Context, req *pb.ListClientsRequest) (*pb.ListClientsResponse, error) {
	out := &pb.ListClientsResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		years, err := b.keepYears()
		if err != nil {
			return err
		}
		out.Freshness, out.Text = b.freshness(), keepWords(years)
		list := &clientList{want: strings.ToLower(strings.TrimSpace(req.Text)), limit: int(cmp.Or(req.Limit, MaxRows)), due: req.Due}
		if list.after, err = b.clientMark(req.After); err != nil {
			return err
		}
		out.Clients, out.Next, err = b.listClients(list, years)
		return err
	})
	return out, err
}

// Clients lists so many clients at the most whose name or telephone holds a text.
func (b *ReadView) Clients(text string, most int) ([]*pb.ClientRow, error) {
	rows, _, err := b.listClients(&clientList{want: strings.ToLower(text), limit: most}, 0)
	return rows, err
}

func (b *ReadView) listClients(list *clientList, years int) (rows []*pb.ClientRow, next string, err error) {
	err = b.Each(event.KindClient, func(st ledger.State) (bool, error) {
		row, err := b.clientRow(st.(*ledger.Client), years)
		if err == nil && (row.Due || !list.due) {
			list.add(row)
		}
		return true, err
	})
	rows, next = list.done()
	return rows, next, err
}

// clientMark is the client with whom an earlier answer ended.
func (b *ReadView) clientMark(after string) (*pb.ClientRow, error) {
	if after == "" {
		return nil, nil
	}
	c, err := Get[*ledger.Client](b, event.KindClient, after)
	if err == nil && c == nil {
		err = refusal.New("after", after, "the mark with which an earlier answer to this question ended")
	}
	if err != nil {
		return nil, err
	}
	return b.clientRow(c, 0)
}

// clientList keeps the first rows behind a mark, by name.
type clientList struct {
	want  string // what name or telephone must hold
	due   bool   // only those whose details are due to go
	limit int
	after *pb.ClientRow
	rows  []*pb.ClientRow
	more  bool
}

// byName puts those whose names are gone last.
func byName(x, y *pb.ClientRow) int {
	return cmp.Or(cmp.Compare(boolInt(x.Forgotten), boolInt(y.Forgotten)), cmp.Compare(strings.ToLower(x.Name), strings.ToLower(y.Name)), cmp.Compare(x.Client, y.Client))
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (l *clientList) add(row *pb.ClientRow) {
	fits := l.want == "" || strings.Contains(strings.ToLower(row.Name), l.want) || strings.Contains(strings.ReplaceAll(row.Telephone, " ", ""), strings.ReplaceAll(l.want, " ", ""))
	if !fits || l.after != nil && byName(row, l.after) <= 0 {
		return
	}
	if l.rows = append(l.rows, row); len(l.rows) >= 2*l.limit+2 {
		l.cut()
	}
}

// cut drops what an answer has no room for.
func (l *clientList) cut() {
	slices.SortFunc(l.rows, byName)
	if len(l.rows) > l.limit {
		l.rows, l.more = slices.Clip(l.rows[:l.limit]), true
	}
}

func (l *clientList) done() (rows []*pb.ClientRow, next string) {
	l.cut()
	if l.more {
		next = l.rows[len(l.rows)-1].Client
	}
	return l.rows, next
}

// clientRow is one client with how many cases there are. Years is how long details are
// kept; 0: the practice did not say.
func (b *ReadView) clientRow(c *ledger.Client, years int) (*pb.ClientRow, error) {
	row := &pb.ClientRow{Client: c.Entity.ID, Forgotten: c.Forgotten != nil}
	if !row.Forgotten {
		row.Name, row.Telephone, _ = b.Client(row.Client)
	}
	last := int64(0)
	if len(c.Timeline) > 0 {
		last = c.Timeline[0].AtMs
	}
	err := b.Snapshot.Newest(ledger.TermCaseOf(row.Client), "", func(f store.Found) (bool, error) {
		if row.Cases++; row.Cases == 1 {
			last = max(last, datedMs(f.Term))
			row.LastCaseAt = b.Stamp(datedMs(f.Term))
		}
		return true, nil
	})
	if err != nil || years == 0 || row.Forgotten {
		return row, err
	}
	until := time.UnixMilli(last).In(b.zone).AddDate(years, 0, 0)
	row.KeepUntil = until.Format(time.DateOnly)
	if until.Before(b.now) {
		open, err := b.hasOpenCase(row.Client)
		row.Due = !open
		return row, err
	}
	return row, nil
}

// datedMs is the moment in a dated term.
func datedMs(term string) int64 {
	at := strings.LastIndexByte(term, '@')
	ms, err := strconv.ParseInt(term[at+1:], 16, 64)
	if err != nil {
		return 0
	}
	return ms
}

// hasOpenCase says that a horse of the client is still under treatment.
func (b *ReadView) hasOpenCase(client string) (open bool, err error) {
	err = b.Snapshot.Newest(ledger.TermCaseOf(client), "", func(f store.Found) (bool, error) {
		terms, err := b.Terms(f.Key)
		open = slices.ContainsFunc(terms, func(t string) bool { return ledger.IsDated(t, ledger.TermOpenCase) })
		return err == nil && !open, err
	})
	return open, err
}

// keepYears is how many years after the last case the practice keeps clients' details;
// 0 while it has not said.
func (b *ReadView) keepYears() (int, error) { return b.Setting(SettingKeepYears) }

func keepWords(years int) string {
	if years == 0 {
		return "The practice has not said how long it keeps clients' details: setting keep_client_years. Ask what the law wants."
	}
	span := "1 year"
	if years > 1 {
		span = strconv.Itoa(years) + " years"
	}
	return "The practice keeps clients' details for " + span + " after the last case. The law may want other records kept longer."
}

// GetClient tells what stands of one client: horses, cases, and where the name stands
// beside the sealed fields.
func (s Reader) GetClient(ctx context.Context, req *pb.GetClientRequest) (*pb.GetClientResponse, error) {
	out := &pb.GetClientResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		c, err := b.findClient(req.Client)
		if err != nil {
			return err
		}
		years, err := b.keepYears()
		if err != nil {
			return err
		}
		if out.Client, err = b.clientRow(c, years); err != nil {
			return err
		}
		if !out.Client.Forgotten {
			_, _, out.Address = b.Client(c.Entity.ID)
		}
		out.Freshness, out.Timeline = b.freshness(), b.timeline(c.Entity, c.Timeline)
		if err := b.clientCases(req, out); err != nil {
			return err
		}
		var plain int
		if out.Named, plain, err = b.namedElsewhere(out.Client); err != nil {
			return err
		}
		out.PlainRecords, out.PlainText = int32(plain), plainLeft(plain)
		return nil
	})
	return out, err
}

// findClient is the client that a text names.
func (b *ReadView) findClient(text string) (*ledger.Client, error) {
	id, err := b.Resolve("client", event.KindClient, text)
	if err != nil {
		return nil, err
	}
	c, err := Get[*ledger.Client](b, event.KindClient, id)
	if err == nil && c == nil {
		err = refusal.Conflict("client", text, "a client who is known here")
	}
	return c, err
}

// clientCases lists the cases of a client, the newest first, and the horses in them.
func (b *ReadView) clientCases(req *pb.GetClientRequest, out *pb.GetClientResponse) (err error) {
	horses := map[string]*pb.HorseRow{}
	out.Next, err = b.listed(req, []string{ledger.TermCaseOf(out.Client.Client)}, func(f store.Found) error {
		c, err := b.Case(f.Key.ID)
		if err != nil || c == nil {
			return err
		}
		row := b.caseRow(c)
		out.Cases = append(out.Cases, row)
		horse, chip := horseOf(c.Patient)
		if horse == "" {
			return nil
		}
		key := ledger.HorseMark(horse)
		if horses[key] == nil {
			horses[key] = &pb.HorseRow{Horse: horse, Chip: chip, LastCaseAt: row.OpenedAt}
			out.Horses = append(out.Horses, horses[key])
		}
		horses[key].Cases++
		return nil
	})
	return err
}

// horseOf is the horse of a case that is asked for over the years: the dam of a foal,
// else the patient.
func horseOf(p *ledger.Patient) (mark, chip string) {
	if dam := cmp.Or(p.DamName, p.DamChip, p.DamUeln); dam != "" {
		return dam, p.DamChip
	}
	return cmp.Or(p.Name, p.Chip), p.Chip
}

// maxNamedRows are told of where a name stands.
const maxNamedRows = 500

// namedElsewhere lists where a client's name, yard or word stands beside the client's own
// entry, in the records of the client's cases and mares, and counts the records that hold
// yard or answerer in plain words. Of a forgotten client they are counted alone.
func (b *ReadView) namedElsewhere(row *pb.ClientRow) (out []*pb.NamedRow, plain int, err error) {
	keys, err := b.about(row.Client)
	if err != nil {
		return nil, 0, err
	}
	in := map[event.Hash]bool{}
	for _, k := range keys {
		of, patient := "", ""
		if k.Kind == event.KindCase {
			of, patient = k.ID, b.PatientLine(k.ID)
		} else {
			patient = b.Name(k.Kind, k.ID)
		}
		err := b.eachNamed(k, row.Name, func(r *event.Record, n namedAt) {
			if n.emptied && !n.sealed {
				in[r.Hash] = true
			}
			if len(out) < maxNamedRows && !row.Forgotten {
				out = append(out, &pb.NamedRow{Field: n.field, Text: short(n.text), Case: of, Patient: patient, Record: r.Hash.String(), Emptied: n.emptied, Sealed: n.sealed})
			}
		})
		if err != nil {
			return nil, 0, err
		}
	}
	return out, len(in), nil
}

// about lists the cases of a client, the newest first, and the client's mares.
func (b *ReadView) about(client string) (out []event.Key, err error) {
	err = b.Snapshot.Newest(ledger.TermCaseOf(client), "", func(f store.Found) (bool, error) {
		out = append(out, f.Key)
		return len(out) < maxExport, nil
	})
	if err != nil {
		return nil, err
	}
	mares, err := b.Find(ledger.TermMareOf(client))
	return append(out, mares...), err
}

// PlainLeft says what forgetting a client leaves in the journal; empty for nothing.
func (b *ReadView) PlainLeft(client string) (string, error) {
	_, plain, err := b.namedElsewhere(&pb.ClientRow{Client: client, Forgotten: true})
	return plainLeft(plain), err
}

func plainLeft(records int) string {
	if records == 0 {
		return ""
	}
	return say.Text("client.plain", records)
}

// eachNamed goes through what the records of a case or mare say of the client in words,
// sealed notes too.
func (b *ReadView) eachNamed(k event.Key, name string, fn func(*event.Record, namedAt)) error {
	return b.Records(k, func(r *event.Record) error {
		m, err := r.Payload()
		if err != nil || r.Primary() != k && !isUse(m) {
			return nil // what cannot be read tells nobody's name
		}
		if c, ok := m.(*pb.Corrected); ok {
			if m, err = event.Replacement(c); err != nil || m == nil {
				m = c
			}
		}
		for _, n := range b.wordsOf(m, name) {
			fn(r, n)
		}
		if p, ok := m.(*pb.NoteAdded); ok {
			if text := b.noteText(k, p); holdsName(text, name) {
				fn(r, namedAt{field: "text", text: text})
			}
		}
		return nil
	})
}

// isUse says that an entry is about a bag first, and tells whose case had it.
func isUse(m proto.Message) bool {
	switch m.(type) {
	case *pb.TransfusionStarted, *pb.TransfusionEnded:
		return true
	}
	return false
}

// noteText opens a note.
func (b *ReadView) noteText(of event.Key, p *pb.NoteAdded) string {
	plain, ok := b.r.Seals.Open(of, "text", p.Text)
	if !ok {
		return ""
	}
	return plain
}

// GetHorse tells of a horse over the years, whole marks alone: the index knows them by
// their hashes.
func (s Reader) GetHorse(ctx context.Context, req *pb.GetHorseRequest) (*pb.GetHorseResponse, error) {
	out := &pb.GetHorseResponse{Horse: strings.TrimSpace(req.Horse)}
	err := s.View(ctx, func(b *ReadView) (err error) {
		out.Freshness = b.freshness()
		if err := event.Typed(req); err != nil {
			return err
		}
		if out.Horse == "" {
			return refusal.New("horse", req.Horse, "the name, chip or UELN of a mare or a patient")
		}
		marks := map[string]bool{ledger.HorseMark(out.Horse): true}
		out.Next, err = b.listed(req, []string{ledger.TermHorse(out.Horse)}, func(f store.Found) error {
			c, err := b.Case(f.Key.ID)
			if err != nil || c == nil || c.Patient == nil {
				return err
			}
			row := b.horseCase(c, out.Horse)
			for _, mark := range horseMarks(c.Patient, row.AsDam) {
				if key := ledger.HorseMark(mark); !marks[key] {
					marks[key] = true
					out.Marks = append(out.Marks, mark)
				}
			}
			out.Cases = append(out.Cases, row)
			return nil
		})
		return err
	})
	return out, err
}

// horseMarks are the marks of the dam or of the patient itself.
func horseMarks(p *ledger.Patient, dam bool) []string {
	all := []string{p.Name, p.Chip}
	if dam {
		all = []string{p.DamName, p.DamChip, p.DamUeln}
	}
	return slices.DeleteFunc(all, func(m string) bool { return m == "" })
}

// horseCase is one case of a horse, as its page shows it.
func (b *ReadView) horseCase(c *ledger.Case, asked string) *pb.HorseCase {
	p := c.Patient
	own := slices.ContainsFunc(horseMarks(p, false), func(m string) bool { return ledger.HorseMark(m) == ledger.HorseMark(asked) })
	row := &pb.HorseCase{Case: b.caseRow(c), AsDam: !own, Client: p.Client}
	if !b.Forgotten(p.Client) {
		row.ClientName, _, _ = b.Client(p.Client)
	}
	for i := range c.IggTests {
		t := &c.IggTests[i]
		if t.Recheck {
			row.IggAfter = b.IggTest(t)
		} else {
			row.IggBefore = b.IggTest(t)
		}
	}
	return row
}
