package internal_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// room is a package of this program, by its path; those below internal/ without
// that.
type room struct {
	name string
	may  string // import these rooms
	why  string // no more than that
}

// house lists the rooms from the cellar up. A room may import rooms that stand
// above its own row, and of those only the ones it names: so no arrow points
// upwards, and none is there that nobody meant. A new room, or a new arrow, is put
// in here by whoever needs it.
var house = []room{
	{"proto/thawtrail/v1", "", "the contract is generated, and knows nothing of the program"},
	{"say", "", "everything may speak, and nothing else stands in the catalogue"},
	{"refusal", "", "everything may say no"},
	{"clock", "", "everything may be given a clock"},
	{"caution", "", "it is a list of texts"},
	{"wholefile", "", "it writes a file whole or not at all"},
	{"cmd/thawtrail/shipped", "", "it is texts that go with the program"},
	{"testrun", "", "it says how many rounds a test has"},

	// Pure: the same answer to the same question on every machine.
	{"unit", "", "it turns one unit into another"},
	{"zone", "", "it finds time zones by their names"},
	{"label", "refusal unit", "it reads what is printed on a bag, and numbers as they are typed"},
	{"engine", "caution label refusal", "it is arithmetic about labels and patients"},
	{"event", "label proto/thawtrail/v1 refusal zone", "a record knows its form, and not who keeps it"},
	{"exchange", "event proto/thawtrail/v1 refusal", "it compares logs, and does not carry them"},
	{"ledger", "event proto/thawtrail/v1", "it folds records, and does not find them"},
	{"seal", "event proto/thawtrail/v1", "it closes words, and keeps no keys"},
	{"ledger/ledgertest", "event ledger proto/thawtrail/v1", "it writes records for tests"},

	// One replica on its disk.
	{"store/journal", "wholefile", "it keeps bytes, and knows no records"},
	{"store/journal/memfs", "store/journal", "it is a disk for tests"},
	{"store/filelock", "", "it knows one file, and not what the lock is for"},
	{"store/index", "store/filelock wholefile", "it keeps rows, and knows no records"},
	{"store/index/indextest", "store/index", "it is an index for tests"},
	{"store/projection", "event exchange ledger proto/thawtrail/v1 store/index store/journal", "it reads the journal and writes the index, and knows the replica by small interfaces"},
	{"store/reach", "store/journal wholefile", "it remembers a place, and not what lay there"},
	{"store", "clock event exchange ledger proto/thawtrail/v1 refusal store/filelock store/index store/journal store/projection store/reach", "it keeps records, whatever they mean to people"},
	{"store/truthtest", "store store/journal testrun", "it holds the laws of a truth against whatever keeps one"},
	{"store/pg", "refusal store store/journal wholefile", "it keeps bytes in a database, and knows no records"},
	{"store/pg/pgtest", "", "it is a database for tests"},

	// Secrets and who is who.
	{"trust/guess", "", "it slows down who guesses"},
	{"trust/transcript", "label refusal", "it writes secrets as characters"},
	{"trust/vault", "refusal wholefile", "it opens what one secret closes"},
	{"trust/pins", "refusal trust/vault", "it knows people by their PINs"},
	{"trust/phones", "refusal trust/guess", "it knows phones"},
	{"trust/authority", "refusal trust/transcript", "it knows keys and who is entitled to what connection"},
	{"trust/local", "trust/authority wholefile", "it is the way to a daemon of the same machine"},
	{"trust/invite", "proto/thawtrail/v1 refusal trust/authority trust/guess trust/transcript trust/vault", "it lets a laptop join"},
	{"trust/order", "event proto/thawtrail/v1 trust/guess trust/invite", "it signs and reads what an owner orders, and knows no books"},
	{"trust", "event proto/thawtrail/v1 refusal seal store store/reach trust/authority trust/pins trust/vault wholefile", "it opens a data folder, and serves nobody"},

	// What goes by hand.
	{"sheet", "refusal", "it is rows and cells, whatever they mean"},
	{"input", "event label proto/thawtrail/v1 refusal unit", "it reads what people type, and knows no state"},
	{"intake", "event input proto/thawtrail/v1 refusal sheet", "it makes entries of rows, and knows no state"},
	{"handover", "label refusal trust/transcript", "it is one case in characters"},
	{"bundle", "exchange proto/thawtrail/v1 refusal trust/transcript trust/vault", "it is a file, whoever made it"},
	{"proof", "event exchange proto/thawtrail/v1", "whoever checks it has nothing else"},

	// What a replica answers, takes in and passes on.
	{"wording", "caution event ledger proto/thawtrail/v1 say", "it puts states into words"},
	{"replica", "clock event exchange ledger proto/thawtrail/v1 refusal store trust trust/pins", "it is the floor of the rooms that follow"},
	{"replica/replicatest", "clock event exchange replica store store/index store/journal store/journal/memfs trust trust/vault wholefile", "it is a replica for tests"},
	{"query", "caution engine event exchange handover label ledger proof proto/thawtrail/v1 refusal replica say store unit wording zone", "it reads, and writes nothing"},
	{"entry", "caution engine event exchange handover label ledger proto/thawtrail/v1 query refusal replica say store trust/pins wording zone", "it writes what a person entered, however that came"},
	{"entry/entrytest", "clock entry event proto/thawtrail/v1 refusal replica/replicatest store/index store/journal store/journal/memfs", "it makes replicas for tests"},
	{"plans", "engine label proto/thawtrail/v1 refusal wording zone", "it puts requests of plans to the engine"},
	{"replication", "bundle clock event exchange ledger proto/thawtrail/v1 refusal replica store trust/authority wholefile", "it carries records, whatever they mean to people"},
	{"replication/replicationtest", "proto/thawtrail/v1 replica replication", "it carries records for tests"},
	{"access", "event exchange ledger proto/thawtrail/v1 query refusal replica store trust/authority trust/phones trust/pins", "it says who may what"},

	// Faces: gRPC and pages.
	{"files", "label proto/thawtrail/v1 refusal", "it writes lists of the contract, whoever answers them"},
	{"rpc", "access bundle entry event plans proto/thawtrail/v1 query refusal replica replication trust/authority trust/pins", "it maps the contract onto the rooms below, and decides nothing"},
	{"web/words", "engine label proto/thawtrail/v1 say wording", "it puts sentences and values into pages"},
	{"web/site", "access clock engine entry event files label ledger proto/thawtrail/v1 query refusal replica replication trust/phones trust/pins unit web/words wholefile wording", "it is what all pages share"},
	{"web/form", "engine entry event input ledger proto/thawtrail/v1 query refusal web/site web/words", "an event as its form, whichever page shows it"},
	{"web/caseview", "engine event ledger query web/site web/words", "one case as its pages read it"},
	{"web/barn", "caution engine event input label ledger proto/thawtrail/v1 query refusal web/caseview web/form web/site web/words wording", "it is the barn's pages alone"},
	{"web/clinic", "engine event intake label ledger proto/thawtrail/v1 query refusal sheet web/form web/site web/words wording", "it is the clinic's pages alone, and takes lists in"},
	{"web/owner", "event files proto/thawtrail/v1 query refusal web/site web/words wording zone", "it is the owner's pages alone, and says what ending a person is refused for"},
	{"web/machine", "access bundle event handover proto/thawtrail/v1 query refusal replica replication web/caseview web/form web/site web/words", "the pages of this machine alone"},
	{"web", "web/barn web/clinic web/form web/machine web/owner web/site", "it puts the pages at their addresses"},
	{"web/webtest", "", "it is a person at a browser, and knows only pages"},
	{"web/night", "", "it is a test"},

	// Programs.
	{"service", "refusal trust/local wholefile", "it tells the system what to start, and knows no records"},
	{"logfile", "wholefile", "it keeps lines, whoever says them"},
	{"node", "access proto/thawtrail/v1 query refusal replica replication rpc store trust trust/authority trust/local trust/phones trust/vault web wholefile", "it runs one replica, and is neither server nor agent"},
	{"server", "access bundle clock entry event exchange ledger node proto/thawtrail/v1 refusal replica replication rpc store store/pg store/reach trust trust/authority trust/guess trust/invite trust/local trust/order trust/vault wholefile", "it is what a server is more than a node"},
	{"agent", "access clock event exchange node proto/thawtrail/v1 query refusal replica replication rpc store trust trust/authority trust/invite trust/order trust/vault wholefile", "it is what a laptop is more than a node"},
	{"demo/wire", "", "it is a network that can be cut"},
	{"demo", "clock demo/wire label proto/thawtrail/v1 refusal trust/local trust/vault wholefile", "it runs the real programs, and reaches into none"},
	{"rehearse", "agent clock demo/wire ledger proto/thawtrail/v1 query replica say server store/filelock trust/invite trust/local trust/vault", "it runs the real programs beside the real work, reads the case and directs the rest"},
	{"bench/nights", "event label proto/thawtrail/v1 store", "it invents records"},
	{"bench", "agent bench/nights clock event exchange plans proto/thawtrail/v1 refusal rpc server store store/index store/pg trust trust/authority trust/invite trust/local trust/vault wholefile", "it measures all of the program"},
	{"cli", "agent bench bundle caution cmd/thawtrail/shipped demo engine event files input intake label logfile node plans proof proto/thawtrail/v1 refusal rehearse replica replication rpc say server service sheet store store/pg store/reach trust trust/authority trust/invite trust/local trust/vault wholefile wording zone", "it is the command line of both programs"},
	{"sim", "", "it is a test"},
	{"cmd/thawtrail", "cli", "it starts the command line"},
	{"release", "cli service", "it packs the program with its manuals and units, and is no part of it"},
}

// apart are rooms that never meet, each with the reason. A star stands for the
// rooms below.
var apart = []struct{ from, to, why string }{
	{"server", "agent", "the two ends of a link know each other only by the wire"},
	{"agent", "server", "the two ends of a link know each other only by the wire"},
	{"web*", "rpc", "pages and gRPC are two faces of query and entry; neither is behind the other"},
	{"rpc", "web*", "pages and gRPC are two faces of query and entry; neither is behind the other"},
	{"web/barn", "web/clinic web/owner web/machine", "what pages share stands in web/site"},
	{"web/clinic", "web/barn web/owner web/machine", "what pages share stands in web/site"},
	{"web/owner", "web/barn web/clinic web/machine", "what pages share stands in web/site"},
	{"store/projection", "store", "the façade is told by the functions that it hands over"},
	{"query", "entry", "whoever reads does not write"},
}

// libraries are kept to the rooms that they are there for. A library that is not listed may be used anywhere but in pure rooms, which
// TestPurity guards.
var libraries = []struct{ library, rooms, why string }{
	{"github.com/dgraph-io", "store/index", "the index can be exchanged, and nothing else depends on what it is made of"},
	{"google.golang.org/grpc", "proto/thawtrail/v1 rpc node cli server agent demo bench rehearse trust/authority trust/local",
		"what a replica does must run without a network; the transport stays at the edge"},
	{"github.com/jackc", "store/pg bench", "a database is one place of the truth, and nothing else asks it; bench copies into a bare table beside it"},
	{"github.com/pressly", "store/pg", "it keeps the tables of that database up to date"},
	{"github.com/spf13", "cli cmd/thawtrail", "commands are the command line's"},
}

const module = "thawtrail/"

// named is the room at a path from the top of the repository.
func named(dir string) string { return strings.TrimPrefix(dir, "internal/") }

// TestRooms keeps the arrows between packages as the table says.
func TestRooms(t *testing.T) {
	files := programFiles(t)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if wrong := findings(named(path.Dir(name)), files[name]); len(wrong) > 0 {
			t.Errorf("%s %s", name, strings.Join(wrong, "\n  and "))
		}
	}
	built, used := map[string]bool{}, map[string]bool{}
	for name, imports := range files {
		room := named(path.Dir(name))
		built[room] = true
		for _, p := range imports {
			used[room+" "+named(strings.TrimPrefix(p, module))] = true
		}
	}
	for _, r := range house {
		if !built[r.name] && !onlyTests(r) {
			t.Errorf("%s stands in the table of rooms, but there is no such package: take its row out", r.name)
		}
		for _, may := range strings.Fields(r.may) {
			if !used[r.name+" "+may] {
				t.Errorf("%s may import %s and does not: take that arrow out of the table", r.name, may)
			}
		}
	}
}

// onlyTests says that a room has no file but tests; it imports what it tests.
func onlyTests(r room) bool { return r.why == "it is a test" }

// TestRoomsAreInOrder checks the table itself.
func TestRoomsAreInOrder(t *testing.T) {
	built := map[string]bool{}
	for _, r := range house {
		require.False(t, built[r.name], "%s has two rows", r.name)
		require.NotEmpty(t, r.why, "%s: say why it may import no more", r.name)
		for _, to := range strings.Fields(r.may) {
			require.True(t, built[to], "%s may not import %s: a room imports only what stands above it in the table", r.name, to)
			require.Empty(t, neverMeet(r.name, to), "%s may not import %s", r.name, to)
		}
		require.True(t, slices.IsSorted(strings.Fields(r.may)), "%s: in order, so that a reader finds it", r.name)
		built[r.name] = true
	}
}

// TestRoomsFinds proves that each kind of wrong arrow is found, and says why.
func TestRoomsFinds(t *testing.T) {
	for _, c := range []struct{ room, imports, want string }{
		{"server", module + "agent", "know each other only by the wire"},
		{"web/barn", module + "internal/web/owner", "what pages share stands in web/site"},
		{"web/site", module + "internal/rpc", "two faces"},
		{"rpc", module + "internal/web/site", "two faces"},
		{"ledger", module + "internal/store", "does not find them"},
		{"store", "github.com/dgraph-io/badger/v4", "what it is made of"},
		{"query", "google.golang.org/grpc/codes", "must run without a network"},
		{"replication", "google.golang.org/grpc", "must run without a network"},
		{"attic", "fmt", "not in the table"},
		{"store", module + "internal/attic", "not in the table"},
	} {
		got := findings(c.room, []string{c.imports})
		require.Len(t, got, 1, "%s imports %s", c.room, c.imports)
		require.Contains(t, got[0], c.want)
	}
	require.Empty(t, findings("rpc", []string{"google.golang.org/grpc", module + "internal/query"}))
	require.Empty(t, findings("store/index", []string{"github.com/dgraph-io/badger/v4", "os"}))
}

// findings says in words what is wrong with the imports of a file.
func findings(from string, imports []string) (out []string) {
	at := slices.IndexFunc(house, func(r room) bool { return r.name == from })
	if at < 0 {
		return []string{"is in the room " + from + ", which is not in the table of rooms (internal/rooms_test.go): give it a row that says what it may import, and why no more"}
	}
	for _, i := range imports {
		dir, ours := strings.CutPrefix(i, module)
		if ours {
			out = append(out, wrongArrow(house[at], named(dir))...)
			continue
		}
		for _, l := range libraries {
			if (i == l.library || strings.HasPrefix(i, l.library+"/")) && !slices.Contains(strings.Fields(l.rooms), from) {
				out = append(out, "imports "+i+", which is for "+l.rooms+" alone: "+l.why)
			}
		}
	}
	return out
}

// wrongArrow says why a room may not import another.
func wrongArrow(from room, to string) []string {
	if slices.Contains(strings.Fields(from.may), to) {
		return nil
	}
	if !slices.ContainsFunc(house, func(r room) bool { return r.name == to }) {
		return []string{"imports the room " + to + ", which is not in the table of rooms (internal/rooms_test.go)"}
	}
	why := neverMeet(from.name, to)
	if why == "" {
		why = from.why
	}
	return []string{"imports " + to + ": " + why + ". The room " + from.name + " may import: " + from.may +
		". If the new arrow is right, put it into internal/rooms_test.go"}
}

// neverMeet is the reason why two rooms are apart; empty when they are not.
func neverMeet(from, to string) string {
	for _, a := range apart {
		if among(a.from, from) && among(a.to, to) {
			return a.why
		}
	}
	return ""
}

func among(names, name string) bool {
	return slices.ContainsFunc(strings.Fields(names), func(n string) bool {
		above, below := strings.CutSuffix(n, "*")
		return n == name || below && (name == above || strings.HasPrefix(name, above+"/"))
	})
}

// programFiles lists the imports of every file of the program that is no test.
func programFiles(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for _, top := range []string{"agent", "cmd", "internal", "proto", "server"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("..", top), func(name string, d fs.DirEntry, err error) error {
			if err == nil && d.IsDir() && d.Name() == "testdata" {
				return filepath.SkipDir
			}
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
			if err != nil {
				return err
			}
			imports := []string{}
			for _, i := range file.Imports {
				p, err := strconv.Unquote(i.Path.Value)
				if err != nil {
					return err
				}
				imports = append(imports, p)
			}
			out[strings.TrimPrefix(filepath.ToSlash(name), "../")] = imports
			return nil
		}))
	}
	return out
}
