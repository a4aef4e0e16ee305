package cli

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// commands is a person at the command line of a laptop that works alone.
type commands struct {
	t    *testing.T
	d    *entrytest.Laptop
	desk *console
}

func newCommands(t *testing.T) *commands {
	zone, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	desk, _, _ := testDesk(t)
	d := entrytest.New(t)
	desk.now, desk.zone, desk.zoneName = d.Clock.Now, zone, zone.String()
	return &commands{t, d, desk}
}

func (c *commands) Wait(d time.Duration) { c.d.Clock.Advance(d) }
func (c *commands) Records() int         { return int(c.d.Replica.Store.Records()) }

// Type reads a line as after the program's name.
func (c *commands) Type(line string) entrytest.Answer {
	words := entrytest.Words(line)
	if answer, err, asked := c.ask(words); asked {
		require.NoError(c.t, err)
		return entrytest.Answer{Text: answer, Raised: func(string) bool { return false }}
	}
	req, err := c.desk.parseEntry(words)
	var out *pb.WriteResponse
	if err == nil {
		out, err = c.d.Write(c.t.Context(), req)
	}
	if refused, ok := refusal.As(err); ok {
		text := refused.Error()
		return entrytest.Answer{Refused: true, Field: refused.Field, Text: text, Raised: func(code string) bool { return strings.Contains(text, code) }}
	}
	require.NoError(c.t, err, line)
	said := []string{out.Text}
	raised := map[string]bool{}
	for _, k := range out.Cautions {
		raised[k.Code] = true
		said = append(said, k.Text)
	}
	return entrytest.Answer{Made: out.Made, Text: strings.Join(said, " "), Raised: func(code string) bool { return raised[code] }}
}

// ask puts a question and gives the answer as the table of its command shows it.
func (c *commands) ask(words []string) (string, error, bool) {
	var out proto.Message
	var err error
	switch {
	case words[0] == "case":
		out, err = c.d.GetCase(c.t.Context(), &pb.GetCaseRequest{Case: words[1]})
	case words[0] == "now":
		out, err = c.d.GetNow(c.t.Context(), &pb.GetNowRequest{})
	case words[0] == "bag" && words[1] == "show":
		out, err = c.d.GetBag(c.t.Context(), &pb.GetBagRequest{Bag: words[2]})
	default:
		return "", nil, false
	}
	if err != nil {
		return "", err, true
	}
	var b strings.Builder
	newPage(&b).answer(out.ProtoReflect())
	return strings.Join(strings.Fields(b.String()), " "), nil, true
}

// TestNightsByCommand plays the table of nights as it is typed.
func TestNightsByCommand(t *testing.T) {
	for _, v := range entrytest.Vignettes(t, "../../testdata/vignettes/nights.csv") {
		t.Run(v.Patient, func(t *testing.T) { v.Play(t, newCommands(t)) })
	}
}
