package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
)

// TestDemoFast runs the command as a person would and checks its object.
func TestDemoFast(t *testing.T) {
	cmd := exec.Command(program(t), "demo", "--fast", "--json")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	require.NoError(t, err, errs.String())
	sum := parse(t, out)
	require.Len(t, sum.Digests, 3)
	require.Len(t, sum.Digests[0], 64)
	require.Equal(t, []string{sum.Digests[0], sum.Digests[0], sum.Digests[0]}, sum.Digests)
	require.Greater(t, sum.Records, int64(sum.Acknowledged), "the program writes records of its own beside those of people")
	require.Greater(t, sum.Acknowledged, 90)
	require.Zero(t, sum.Lost)
	require.Positive(t, sum.MergeMs)
	var kinds []string
	for _, d := range sum.Discrepancies {
		require.NotEmpty(t, d.Entity)
		kinds = append(kinds, strings.TrimSpace(d.Kind+" "+d.HoldReached))
	}
	require.ElementsMatch(t, []string{"given_after_hold not_reached", "found_bag", "entered_twice"}, kinds)
}

// parse reads the object and nothing beside it.
func parse(t *testing.T, out []byte) (sum Summary) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(out))
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(&sum), "%s", out)
	require.False(t, d.More())
	return sum
}

// TestTheStory plays the night in this process: what is told stands there, it
// fits the screen, and nothing is left running.
func TestTheStory(t *testing.T) {
	defer goleak.VerifyNone(t)
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Config{Fast: true, Out: &out, Program: program(t)}), "%s", out.String())
	text := out.String()
	flowing := strings.Join(strings.Fields(text), " ")
	for _, want := range []string{
		"founds Alder Creek Equine", "lie 1 of M0418, 2 of H2207, 1 of H2231", "no link; no hold is known here",
		"the earliest use-by in the south freezer", "CLAMP SHUT", "H2207 ON HOLD", "its process is killed",
		"entries it had said are saved", "batch H2207 is ON HOLD here", "says that they are one",
		"clinic freezer: 5 bags", "940 mL plasma; 940 mL by vein in 24 h", "T. Moss names two vehicles",
		"the hold had not reached that laptop", "each was looked up on all three: 0 lost",
	} {
		require.True(t, strings.Contains(flowing, want), "%q is lacking in:\n%s", want, text)
	}
	// How many statements of the server had come before the cut depends on the
	// machine; that the kill took none of them does not.
	sheets := regexp.MustCompile(`8[89] min since the start, 832 mL/h; 9 looks noted; (\d+) records`).FindAllStringSubmatch(flowing, -1)
	require.Len(t, sheets, 2, "before and after the kill: %s", text)
	require.Equal(t, sheets[0][1], sheets[1][1], "records before and after the kill")
	for _, l := range strings.Split(text, "\n") {
		require.LessOrEqual(t, runes(l), width, l)
	}
}

// typedWords are the words of a command line, those between quotes whole.
var typedWords = regexp.MustCompile(`'[^']*'|\S+`)

// TestKeepStaysUp keeps the night up until it is interrupted, with commands that
// work, and clears everything away then.
func TestKeepStaysUp(t *testing.T) {
	defer goleak.VerifyNone(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	dir := filepath.Join(t.TempDir(), "kept")
	out, story := &bytes.Buffer{}, &watched{want: "owner         http", seen: make(chan struct{})}
	ended := make(chan error, 1)
	go func() {
		ended <- Run(ctx, Config{Fast: true, Keep: true, JSON: true, Dir: dir, Out: out, Err: story, Program: program(t)})
	}()
	select {
	case <-story.seen:
	case err := <-ended:
		require.Fail(t, "ended early", "%v", err)
	}
	tried := 0
	for _, l := range strings.Split(story.String(), "\n") {
		words := typedWords.FindAllString(l, -1)
		for i := range words {
			words[i] = strings.Trim(words[i], "'")
		}
		if len(words) > 1 && words[0] == program(t) {
			printed, errs, code := commandOutput(t, words[1:]...)
			require.Zero(t, code, "%s: %s", l, errs)
			require.NotEmpty(t, printed)
			tried++
		}
	}
	require.Equal(t, 8, tried)
	sum := parse(t, out.Bytes())
	require.Zero(t, sum.Lost)
	require.Len(t, sum.Pages.Barn, 2)
	for _, url := range append(sum.Pages.Barn, sum.Pages.Clinic, sum.Pages.Owner) {
		resp, err := http.Get(url)
		require.NoError(t, err)
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, errors.Join(err, resp.Body.Close()))
		require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", url, body)
		require.Contains(t, string(body), "This browser is in")
	}
	http.DefaultClient.CloseIdleConnections()
	stop()
	require.NoError(t, <-ended)
	require.DirExists(t, filepath.Join(dir, "clinic"))

	err := Run(t.Context(), Config{Fast: true, Dir: dir, Out: out, Program: program(t)})
	_, refused := refusal.As(err)
	require.True(t, refused, "an earlier night is not played over: %v", err)
}

// watched closes seen when a text was written.
type watched struct {
	bytes.Buffer
	want string
	seen chan struct{}
	done bool
}

func (w *watched) Write(p []byte) (int, error) {
	n, err := w.Buffer.Write(p)
	if !w.done && strings.Contains(w.String(), w.want) {
		w.done = true
		close(w.seen)
	}
	return n, err
}

// TestInterrupted ends the night in its middle: every process ends with it.
func TestInterrupted(t *testing.T) {
	defer goleak.VerifyNone(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	story := &watched{want: "the maker calls", seen: make(chan struct{})}
	go func() {
		<-story.seen
		stop()
	}()
	cfg := Config{Fast: true, Out: story, Program: program(t)}
	require.NoError(t, cfg.fill())
	n := newNight(ctx, cfg, t.TempDir())
	n.play()
	n.close()
	require.Error(t, n.err)
	for _, s := range n.sites() {
		require.True(t, s.proc.ended(), s.name)
	}
}

// TestAChildThatCannotStart tells what the child said.
func TestAChildThatCannotStart(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "clinic"), []byte("in the way"), 0o600))
	s := &site{name: "clinic", args: []string{"server"}}
	err := s.open(t.Context(), program(t), dir)
	require.ErrorContains(t, err, "`thawtrail server` ended at once: thawtrail: ")
	s.close()
}

func TestFourOClock(t *testing.T) {
	for hour := range 24 {
		at := time.Date(2026, 11, 24, hour, 37, 0, 0, time.UTC)
		zone, err := time.LoadLocation(fourOClock(at))
		require.NoError(t, err)
		require.Equal(t, 4, at.In(zone).Hour(), "%s", fourOClock(at))
	}
}

// TestJudge lets no night pass that did not end as it must.
func TestJudge(t *testing.T) {
	good := func() *night {
		n := newNight(t.Context(), Config{Out: &bytes.Buffer{}, Clock: clock.NewManual(time.Date(2026, 11, 24, 17, 10, 0, 0, time.UTC))}, "")
		n.sum = Summary{Digests: []string{"a", "a", "a"}, Discrepancies: []Discrepancy{
			{Kind: "found_bag"}, {Kind: "entered_twice"}, {Kind: "given_after_hold", HoldReached: "not_reached"},
		}}
		return n
	}
	n := good()
	n.judge()
	require.NoError(t, n.err)
	for _, tt := range []struct {
		spoil func(*Summary)
		want  string
	}{
		{func(s *Summary) { s.Digests[1] = "b" }, "the digest of north differs"},
		{func(s *Summary) { s.Digests[0], s.Digests[1], s.Digests[2] = "", "", "" }, "the digest of clinic"},
		{func(s *Summary) { s.Lost = 2 }, "2 acknowledged entries are lost"},
		{func(s *Summary) { s.Discrepancies[0].Kind = "other" }, "no discrepancy found_bag"},
		{func(s *Summary) { s.Discrepancies[1].Kind = "other" }, "no discrepancy entered_twice"},
		{func(s *Summary) { s.Discrepancies[2].HoldReached = "unknown" }, "no discrepancy given_after_hold not_reached"},
	} {
		n := good()
		tt.spoil(&n.sum)
		n.judge()
		require.ErrorContains(t, n.err, tt.want)
	}
}
