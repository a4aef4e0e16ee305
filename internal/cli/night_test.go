package cli

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// laptop is a real agent with a real replica on disk, reached over gRPC.
type laptop struct {
	t       *testing.T
	address string
	names   map[string]string // CASE, BAG1 … as scripts call them
}

// startLaptop runs `thawtrail agent` in this process until the test ends.
func startLaptop(t *testing.T, more ...string) *laptop {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	args := append([]string{"agent", "--listen", "127.0.0.1:0", "--name", "north laptop", "--passphrase-file", passphraseFile(t)}, more...)
	if !slices.Contains(more, "--data") {
		args = append(args, "--data", t.TempDir())
	}
	return &laptop{t: t, address: startDaemon(t, args...), names: map[string]string{}}
}

// passphraseFile holds the passphrase of every laptop of the tests.
func passphraseFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "passphrase")
	require.NoError(t, os.WriteFile(path, []byte("abbey acorn actor adobe alarm\n"), 0o600))
	return path
}

// lineChannel passes on what is printed.
type lineChannel chan string

func (c lineChannel) Write(p []byte) (int, error) {
	c <- string(p)
	return len(p), nil
}

// types runs one typed command line and expects the exit code.
func (l *laptop) types(code int, text string) (out, errs string) {
	l.t.Helper()
	return l.pipes(code, "", text)
}

// pipes is types with something at standard input.
func (l *laptop) pipes(code int, in, text string) (out, errs string) {
	l.t.Helper()
	for name, value := range l.names {
		text = strings.ReplaceAll(text, name, value)
	}
	words, err := splitLine("text", text)
	require.NoError(l.t, err)
	d, o, e := testDesk(l.t)
	d.now, d.address, d.in = time.Now, l.address, strings.NewReader(in)
	require.Equal(l.t, code, run(context.Background(), d, words), "%s\n%s", text, e.String())
	return o.String(), e.String()
}

// made runs an entry and gives the ids that it made.
func (l *laptop) made(text string) []string {
	l.t.Helper()
	out, _ := l.types(exitDone, text+" --json")
	var answer struct{ Made []string }
	require.NoError(l.t, json.Unmarshal([]byte(out), &answer))
	return answer.Made
}

// begin founds a practice and takes two bags into a car.
func (l *laptop) begin() {
	l.t.Helper()
	l.types(exitDone, "practice found --name 'Alder Creek Equine' --zone Australia/Sydney --currency AUD --owner-name 'M. Alder'")
	l.types(exitDone, "place add --name 'clinic freezer' --kind freezer")
	l.types(exitDone, "place add --name 'north car' --kind vehicle_freezer")
	l.types(exitDone, "product card --name 'Foal plasma' --maker 'Wattle Biologics' --route vein --volume-ml 950 --least-igg-g-per-l 18")
	bags := l.made("receive --product foal --batch H2207 --expiry 2099-03 --volume-ml 950 --count 2 --place clinic")
	require.Len(l.t, bags, 2)
	l.names["BAG1"], l.names["BAG2"] = bags[0], bags[1]
	l.types(exitDone, "move BAG1 BAG2 --to north")
}

// TestANightOnARealAgent types a whole case from stock to recheck and asks every
// question at its end.
func TestANightOnARealAgent(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	l.names["CASE"] = l.made("open foal --dam 'Quiet Harbour' --sex filly --colour bay --box 4 --born -10h --clock-right")[0]
	for _, text := range []string{
		"risk CASE no no no no",
		"weigh CASE 52,5 --how scale",
		"igg CASE --kind 'barn immunoassay' --igg-mg-per-dl 350",
		"note case CASE --text 'mare kicks'",
		"check bath CASE BAG1 --all",
		"thaw BAG1 --case CASE --bath-c 37",
		"thawed BAG1 --bag-c 33",
		"check hang CASE BAG1 --all",
		"vitals CASE --baseline --temp-c 38.4 --heart 100 --breaths 36",
		"set BAG1 --case CASE",
		"start CASE BAG1",
		"rate CASE 75 --slow",
		"vitals CASE --heart 98 --given-ml 25",
	} {
		l.types(exitDone, text)
	}
	// A hold on a bag that runs is the first thing that `now` says.
	l.types(exitDone, "batch hold H2207 --product foal --reason 'maker called'")
	now, _ := l.types(exitDone, "now")
	require.Contains(t, now, "HOLD on a bag in use")
	require.Contains(t, now, "maker called")
	requireFits(t, now)
	l.types(exitDone, "finish CASE BAG1 940")
	l.types(exitDone, "recheck plan CASE --person 'M. Alder'")
	out, _ := l.types(exitDone, "case CASE")
	require.Contains(t, out, "Quiet Harbour")
	require.Contains(t, out, "52.5 kg")
	require.Contains(t, out, "940")
	requireFits(t, out)
	out, _ = l.types(exitDone, "bag show BAG1")
	require.Contains(t, out, "Plasma started")

	// What is not known here, or was never asked so, is refused on one line.
	for _, text := range []string{
		"bag show ZZZZZ", "case ZZZZZZ", "weigh ZZZZZZ 52 --how scale", "move BAG2 --to 'nowhere at all'",
		"record ffffffff", "start CASE 00000000", "bag missing BAG2 --by 'N. Obody'",
	} {
		_, errs := l.types(exitRefused, text)
		require.Equal(t, 1, strings.Count(errs, "\n"), errs)
	}
	l.asksEverything()
}

// asksEverything runs every question as text and as JSON.
func (l *laptop) asksEverything() {
	l.t.Helper()
	for _, text := range []string{
		"stock", "stock --all", "stock --place north", "bag show BAG2", "batch list", "batch list --held", "product list",
		"place list", "choose CASE --need-ml 900 --place north", "cases", "cases --open", "case CASE", "now", "discrepancies",
		"discrepancies --open", "digest", "status", "people", "audit use --by month", "audit use --by place",
		"audit affected engine-1",
	} {
		out, _ := l.types(exitDone, text)
		require.NotEmpty(l.t, out, text)
		requireFits(l.t, out)
		out, _ = l.types(exitDone, text+" --json")
		require.True(l.t, json.Valid([]byte(out)), text)
	}
}

// TestOneRequestIsOneRecord types the same entry twice under one request id.
func TestOneRequestIsOneRecord(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	first := l.made("place add --name shelf --kind shelf --request-id r-1")
	out, _ := l.types(exitDone, "place add --name shelf --kind shelf --request-id r-1 --json")
	require.Contains(t, out, `"repeated_request": true`)
	places, _ := l.types(exitDone, "place list")
	require.Equal(t, 1, strings.Count(places, first[0]))
}

// TestACorrectionReplacesAnEntry corrects a weight by typing it again.
func TestACorrectionReplacesAnEntry(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	l.names["CASE"] = l.made("open foal --dam 'Quiet Harbour' --sex filly --clock-right")[0]
	out, _ := l.types(exitDone, "weigh CASE 25.5 --how scale --json")
	var wrote struct{ Record string }
	require.NoError(t, json.Unmarshal([]byte(out), &wrote))
	l.names["RECORD"] = wrote.Record[:12]
	l.types(exitDone, `correct RECORD --reason 'digits turned round' --with "weigh CASE 52.5 --how scale"`)
	out, _ = l.types(exitDone, "case CASE")
	require.Contains(t, out, "52.5 kg")
	require.Equal(t, 1, strings.Count(out, "25.5 kg"), "as what the entry had told, in its own line")
	require.Contains(t, out, "corrected")
}

// TestVerifyReadsAReplica checks a replica that an agent left behind, then turns
// one bit of it.
func TestVerifyReadsAReplica(t *testing.T) {
	dir := t.TempDir()
	t.Run("write", func(t *testing.T) { // its agent stops when it ends
		startLaptop(t, "--data", dir).begin()
	})
	file := passphraseFile(t)
	code, out, errs := runLine(t, "verify", "--data", dir, "--json", "--passphrase-file", file)
	require.Zero(t, code, errs)
	var report struct {
		OK       bool   `json:"ok"`
		Records  int    `json:"records"`
		FirstBad string `json:"first_bad"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &report))
	require.True(t, report.OK)
	require.Greater(t, report.Records, 6)
	require.Empty(t, report.FirstBad)
	require.Contains(t, out, `"first_bad": ""`)
	code, out, _ = runLine(t, "verify", "--data", dir, "--passphrase-file", file)
	require.Zero(t, code)
	require.Contains(t, out, "no damage was found")

	turnOneBit(t, filepath.Join(dir, "journal"))
	code, out, _ = runLine(t, "verify", "--data", dir, "--json", "--passphrase-file", file)
	require.Equal(t, exitFailed, code)
	require.NoError(t, json.Unmarshal([]byte(out), &report))
	require.False(t, report.OK)
	require.NotEmpty(t, report.FirstBad)
	requireRefusedLine(t, "verify")
}

// turnOneBit damages the middle of the first file of a journal.
func turnOneBit(t *testing.T, dir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.journal"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	text[len(text)/2] ^= 1
	require.NoError(t, os.WriteFile(files[0], text, 0o600))
}

// A time that is typed without a zone is the practice's, whatever zone the machine of
// the command stands in, and the answer shows which it was.
func TestATypedTimeIsThePractices(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	then := time.Now().In(sydney).Add(-2 * time.Hour)
	out, _ := l.types(exitDone, "bag softened BAG1 --when "+then.Format("15:04"))
	require.Contains(t, strings.Join(strings.Fields(out), " "), then.Format("15:04 MST on Mon 2 Jan 2006"))
}
