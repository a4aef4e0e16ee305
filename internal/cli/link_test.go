package cli

import (
	"context"
	"net"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	pb "thawtrail/proto/thawtrail/v1"
)

// peer is an agent as a command sees one: it keeps what it was asked and answers
// as the test says.
type peer struct {
	pb.UnimplementedRecordServiceServer
	pb.UnimplementedStockServiceServer
	wrote  *pb.WriteRequest
	asked  *pb.ListStockRequest
	answer *pb.WriteResponse
	stock  *pb.ListStockResponse
	err    error
}

func (p *peer) Write(_ context.Context, req *pb.WriteRequest) (*pb.WriteResponse, error) {
	p.wrote = req
	return p.answer, p.err
}

func (p *peer) ListStock(_ context.Context, req *pb.ListStockRequest) (*pb.ListStockResponse, error) {
	p.asked = req
	return p.stock, p.err
}

// startPeer serves on loopback until the test ends and gives the address.
func startPeer(t *testing.T, p *peer) string {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir()) // no door that a killed agent left at this address
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := grpc.NewServer()
	pb.RegisterRecordServiceServer(s, p)
	pb.RegisterStockServiceServer(s, p)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	return l.Addr().String()
}

func TestWriteSendsTheEntryAndSaysWhereItIsSaved(t *testing.T) {
	p := &peer{answer: &pb.WriteResponse{
		Record: strings.Repeat("ab", 32), Saved: pb.SavedState_SAVED_STATE_HELD_ON_SERVER,
		Made: []string{"7K2M9QX4" + checkOf(t, "7K2M9QX4"), "5Q"}, Text: "Six bags\x1b[31m are in stock.",
		Cautions: []*pb.Caution{{Code: "a", Level: "reason", Text: "one"}, {Code: "b", Level: "caution", Text: "two"}, {Code: "c", Level: "note", Text: "three"}, {Code: "d", Level: "note", Text: "four"}},
	}}
	at := startPeer(t, p)
	code, out, errs := runLine(t, "receive", "--product", "P", "--batch", "B", "--expiry", "2028-04", "--volume-ml", "950", "--count", "6", "--place", "F", "--at", at)
	require.Zero(t, code, errs)
	require.EqualValues(t, 6, p.wrote.Entry.GetBagsReceived().Count)
	for _, want := range []string{"new: 5Q (the first characters are enough)", "7K2M-9QX4-", "! one [give a reason: a]", "! three", "+1 more", "Held on the clinic's server."} {
		require.Contains(t, out, want)
	}
	require.NotContains(t, out, "four")
	require.NotContains(t, out, "\x1b")
	requireFits(t, out)

	for state, want := range map[pb.SavedState]string{pb.SavedState_SAVED_STATE_SAVED_HERE: "Saved here.", pb.SavedState_SAVED_STATE_SENT: "Sent."} {
		p.answer = &pb.WriteResponse{Saved: state, Text: "Done."}
		_, out, _ = runLine(t, "close", "5Q", "well", "--at", at)
		require.Equal(t, "Done.\n"+want+"\n", out)
	}
}

// checkOf finds the check character that makes a bag number whole.
func checkOf(t *testing.T, body string) string {
	t.Helper()
	for _, c := range "0123456789ABCDEFGHJKMNPQRSTVWXYZ" {
		if bagText(body+string(c)) != body+string(c) {
			return string(c)
		}
	}
	t.Fatalf("no check character for %s", body)
	return ""
}

func TestQuestionsAskWithTheirFlags(t *testing.T) {
	p := &peer{stock: &pb.ListStockResponse{
		Bags: []*pb.BagRow{
			{Bag: "7K2M", Place: "north car", Product: "Foal plasma", Batch: "H2207", UseBy: "2026-11-24T06:10:00Z", VolumeMl: 950, State: "thawed", States: []string{"thawed"}, Because: []string{"4 h after thaw"}},
			{Bag: "9QX4", Place: "freezer", Product: "Foal plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, State: "frozen", States: []string{"frozen"}},
		},
		Freshness: &pb.Freshness{Text: "Heard from the clinic 5 min ago."},
	}}
	at := startPeer(t, p)
	code, out, errs := runLine(t, "stock", "--place", "north car", "--all", "--as-of", "2026-11-24T03:00:00Z", "--at", at)
	require.Zero(t, code, errs)
	require.Equal(t, "north car", p.asked.Place)
	require.True(t, p.asked.All)
	require.Equal(t, "2026-11-24T03:00:00Z", p.asked.At)
	const golden = "testdata/stock.golden"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(out), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), out)

	p.stock = &pb.ListStockResponse{}
	_, out, _ = runLine(t, "stock", "--at", at)
	require.Equal(t, "No bags here. Take a delivery into stock with `thawtrail bag receive`.\n", out)
}

func TestFailuresAreToldInTheUsersWords(t *testing.T) {
	p := &peer{}
	at := startPeer(t, p)
	for _, c := range []struct {
		err  error
		code int
		text string
	}{
		{rpc.Status(refusal.Conflict("bag", "7K2M", "a bag that is known here")), exitRefused, `bag: "7K2M" was refused; expected a bag that is known here` + "\n"},
		{rpc.Status(refusal.New("igg_g_per_l", "350", "0 to 60").Because("mg/dL?")), exitRefused, `igg_g_per_l: "350" was refused; expected 0 to 60 (mg/dL?)` + "\n"},
		{status.Error(codes.Internal, "disk full\x1b[2J"), exitFailed, "thawtrail: disk full\uFFFD[2J\n"},
		{status.Error(codes.Unavailable, "not saved: this program is stopping"), exitFailed, "thawtrail: not saved: this program is stopping\n"},
		{status.Error(codes.DeadlineExceeded, "x"), exitFailed, "thawtrail: " + at + " did not answer in time; whether it was done is not known, so ask before typing it again\n"},
	} {
		p.err = c.err
		code, out, errs := runLine(t, "bag", "missing", "7K2M", "--at", at)
		require.Equal(t, c.code, code)
		require.Empty(t, out)
		require.Equal(t, c.text, errs)
	}
	code, _, errs := runLine(t, "now", "--at", at) // the peer has no CaseService
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, "older than this command")
	code, _, errs = runLine(t, "stock")
	require.Equal(t, exitFailed, code)
	require.Equal(t, "thawtrail: no agent answers at 127.0.0.1:1; start one with `thawtrail agent --data DIR`\n", errs)
}

// TestKeystrokesOfACase prints how much a vet types for a whole case, from the
// call to the recheck, with tab completion unused and Enter counted.
func TestKeystrokesOfACase(t *testing.T) {
	night := []string{
		"open foal --dam 'Quiet Harbour' --sex filly --box 4 --born -10h",
		"risk 5Q no no no no",
		"exam 5Q --temp-c 38,2 --heart 96 --breaths 34",
		"weigh 5Q 52.5 --how scale",
		"igg 5Q --kind snap --igg-mg-per-dl 350",
		"agree 5Q --amount 980 --client Hollis --how phone",
		"accept 5Q dose 1900 --bag 7K2M --bag 9QX4",
		"check bath 5Q 7K2M --all",
		"thaw 7K2M --case 5Q --bath-c 37",
		"thawed 7K2M --bag-c 33",
		"catheter in 5Q 16 'left jugular'",
		"check hang 5Q 7K2M --all",
		"set 7K2M --case 5Q",
		"vitals 5Q --baseline --temp-c 38.4 --heart 100 --breaths 36",
		"start 5Q 7K2M",
		"rate 5Q 75 --slow",
		"vitals 5Q --heart 100 --given-ml 10",
		"vitals 5Q --heart 98 --given-ml 25",
		"rate 5Q 1000",
		"vitals 5Q --heart 98 --given-ml 300",
		"finish 5Q 7K2M 940",
		"recheck plan 5Q --person Reed",
		"recheck 5Q --kind snap --igg-g-per-l 8.4",
		"close 5Q well",
	}
	total := 0
	for _, text := range night {
		_, err := parse(t, text)
		require.NoError(t, err, text)
		total += len([]rune(text)) + 1
	}
	t.Logf("a whole case: %d entries, %d keystrokes", len(night), total)
	require.Less(t, total, 1000)
}

func TestCleanTakesOutWhatSteersATerminal(t *testing.T) {
	for in, want := range map[string]string{
		"plain, Ärzte – 5 µL":      "plain, Ärzte – 5 µL",
		"a\x1b[31mb":               "a\uFFFD[31mb",
		"a\u009bb\u202ec\u2066d\r": "a\uFFFDb\uFFFDc\uFFFDd\uFFFD",
		"a\xffb":                   "a\uFFFDb",
		"two\nlines":               "two\nlines",
	} {
		require.Equal(t, want, clean(in))
	}
	require.Equal(t, "a b", line(" a\n\tb "))
}
