package intake

import (
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Fate is what becomes of a row of a file.
type Fate struct {
	Row      int      `json:"row"`
	Fate     string   `json:"fate"` // one of the words below
	Text     string   `json:"text"`
	Record   string   `json:"record"`
	Cautions []string `json:"cautions"`
}

// Fates of a row.
const (
	Saved    = "saved"
	Would    = "would be saved"
	There    = "already there"
	NotSaved = "not saved"
)

// Batch is a file on its way into the books: what is asked of them, and what becomes of each
// row. Rows that cannot be read keep all others from being saved.
type Batch struct {
	Rows []Fate
	Ask  *pb.WriteAllRequest // without entries there is nothing to ask
	of   []int               // the row of each entry
}

// BatchOf begins with the rows of a file. Each entry is asked for as by is: who says so, when,
// and by which PIN. named gives the whole name of whom the books know by a text, or nothing: a list
// of clients that was edited would make another of each, so who is there stays as they are,
// which there says. Mares are known by their chip or name, whoever tells of them.
func (k *Kind) BatchOf(lines []Line, by *pb.WriteRequest, save bool, named func(kind, text string) (string, error), there func(name string) string) (*Batch, error) {
	b := &Batch{Rows: make([]Fate, len(lines)), Ask: &pb.WriteAllRequest{DryRun: !save}}
	for i, l := range lines {
		b.Rows[i] = Fate{Row: l.Row, Fate: NotSaved}
		if l.Refused != nil {
			b.Rows[i].Text, b.Ask.DryRun = refusedText(l.Refused), true
			continue
		}
		if k.Event == "client_added" {
			switch name, err := named(event.KindClient, l.Text); {
			case err != nil:
				return nil, err
			case strings.EqualFold(name, l.Text):
				b.Rows[i].Fate, b.Rows[i].Text = There, there(l.Text)
				continue
			}
		}
		one := proto.CloneOf(by)
		if one.Entry, one.RequestId = l.Entry, l.ID; l.At != nil {
			one.OccurredAt = l.At
		}
		b.Ask.Entries, b.of = append(b.Ask.Entries, one), append(b.of, i)
	}
	return b, nil
}

// Take has the rows meet the fate that the books tell.
func (b *Batch) Take(answer *pb.WriteAllResponse) {
	for n, fate := range answer.Fates {
		b.Rows[b.of[n]].take(fate, answer.AllSaved)
	}
}

func (r *Fate) take(fate *pb.Fate, saved bool) {
	w := fate.Written
	switch {
	case fate.Refused != "":
		r.Text = fate.Refused
		return
	case w.RepeatedRequest:
		r.Fate = There
	case saved:
		r.Fate = Saved
	default:
		r.Fate = Would
	}
	r.Text, r.Record = w.Text, w.Record
	for _, c := range w.Cautions {
		r.Cautions = append(r.Cautions, c.Text)
	}
}

// Count is how many rows meet a fate.
func (b *Batch) Count(fate string) (n int) {
	for _, r := range b.Rows {
		if r.Fate == fate {
			n++
		}
	}
	return n
}

func refusedText(err error) string {
	if text, ok := refusal.Plain(err); ok {
		return text
	}
	return err.Error()
}
