package store

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// Records and a whole replica as this version writes them. Later versions must
// read the same bytes and fold the same state; when the rules of the fold change,
// ledger.FoldVersion does too and a new digest is added beside the old one.
//
//	go test ./internal/store -run Golden -golden
//
// writes what is not there yet. Files of a version that was released are never
// written again.
var goldenFlag = flag.Bool("golden", false, "write golden files that are missing")

const (
	goldenRecords = "../../testdata/records"
	goldenStore   = "../../testdata/store/v1"
)

// emptyFile is a megabyte of zeros in every index; it is not kept.
var emptyFile = filepath.Join("index", "tables", "DISCARD")

// goldenRecord is one record and what it must be read as.
type goldenRecord struct {
	Name string `json:"name"`
	Wire []byte `json:"wire"`
	Hash string `json:"hash"`
	Log  string `json:"log"`
	Seq  uint64 `json:"seq"`
	HLC  int64  `json:"hlc_us"`
	Type uint32 `json:"type"`
	Keys string `json:"entities"`
	Body string `json:"payload"` // its own deterministic encoding, in hex
}

func goldenOf(r *event.Record, name string) (goldenRecord, error) {
	p, err := r.Payload()
	if err != nil {
		return goldenRecord{}, err
	}
	body, err := marshal(p)
	keys := make([]string, 0, 4)
	for _, k := range r.Touches() {
		keys = append(keys, k.String())
	}
	return goldenRecord{Name: name, Wire: r.Wire(), Hash: r.Hash.String(), Log: r.Log.String(), Seq: r.Seq(), HLC: r.Head.HlcUs,
		Type: r.Head.Type, Keys: strings.Join(keys, " "), Body: fmt.Sprintf("%x", body)}, err
}

// goldenDrafts are a short night that uses each kind of field.
func goldenDrafts() []Draft {
	moment := &pb.Moment{UnixMs: night.UnixMilli() - 90_000, Zone: "Australia/Sydney", Precision: pb.Precision_PRECISION_MINUTE, Source: pb.TimeSource_TIME_SOURCE_TYPED}
	return []Draft{
		founding(),
		received("BAG1", "P", "H-2207"),
		received("BAG2", "P", "H 2207"),
		hold("P", "H2207"),
		{Type: 60, Payload: &pb.CaseOpened{Case: "CASE1", Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour",
			DamKey: "name:QUIET HARBOUR", Sex: pb.Sex_SEX_FILLY, BornAt: moment}, Author: "vet", RequestID: "click"},
		{Type: 40, Payload: &pb.ThawStarted{Bag: "BAG1", Case: "CASE1", Place: "CLINIC"}, OccurredAt: moment, Author: "vet",
			Overrides: []*pb.Override{{Code: "batch_on_hold", Reason: "no other bag"}}},
		{Type: 73, Payload: &pb.TransfusionStarted{Bag: "BAG1", Case: "CASE1", Product: "P", Batch: "H-2207", Place: "CLINIC"}, Author: "vet",
			Proof: &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: night.UnixMicro()}, Engine: "1"},
		{Type: 82, Payload: &pb.TransfusionEnded{Bag: "BAG1", Case: "CASE1", GivenMl: 940}, Author: "vet"},
	}
}

func goldenOptions(dir string) Options {
	opt := memoryOptions(60, journal.OSFS{}, nil)
	opt.Dir, opt.Version = dir, "golden"
	return opt
}

func TestGoldenRecords(t *testing.T) {
	path := filepath.Join(goldenRecords, "v1.json")
	if _, err := os.Stat(path); *goldenFlag && err != nil {
		writeGoldenRecords(t, path)
	}
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	var list []goldenRecord
	require.NoError(t, json.Unmarshal(raw, &list))
	require.GreaterOrEqual(t, len(list), len(goldenDrafts())+2)
	keys := map[string]*LogInfo{}
	for _, want := range list {
		r, err := event.Decode(want.Wire)
		require.NoError(t, err, want.Name)
		got, err := goldenOf(r, want.Name)
		require.NoError(t, err, want.Name)
		require.Equal(t, want, got)
		if l, ok := projection.OpenedLog(r); ok {
			keys[want.Log] = l
		}
		require.NoError(t, r.Verify(keys[want.Log].Key), want.Name)
	}
}

func writeGoldenRecords(t *testing.T, path string) {
	s := openMemory(t, 60)
	for _, d := range goldenDrafts() {
		s.opt.Clock.(*clock.Manual).Advance(time.Minute)
		_, err := s.Append(t.Context(), d)
		require.NoError(t, err)
	}
	var list []goldenRecord
	for _, id := range s.OwnLogs() {
		for seq := uint64(0); ; seq++ {
			recs, err := s.projection.RecordsAt(id, seq)
			require.NoError(t, err)
			if len(recs) == 0 {
				break
			}
			spec, _ := event.Lookup(recs[0].Head.Type)
			g, err := goldenOf(recs[0], spec.Name)
			require.NoError(t, err)
			list = append(list, g)
		}
	}
	b, err := json.MarshalIndent(list, "", " ")
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, append(b, '\n'), 0o644))
}

// A replica that this version wrote opens with the same state, from its index and
// from its journal alone, verifies, and goes on.
func TestGoldenStore(t *testing.T) {
	if _, err := os.Stat(goldenStore); *goldenFlag && err != nil {
		writeGoldenStore(t)
	}
	for _, indexToo := range []bool{true, false} {
		dir := copyDir(t, goldenStore)
		require.NoError(t, os.WriteFile(filepath.Join(dir, emptyFile), make([]byte, 1<<20), 0o600))
		if !indexToo {
			require.NoError(t, os.RemoveAll(filepath.Join(dir, "index")))
		}
		report, err := Verify(t.Context(), VerifyOptions{Dir: dir})
		require.NoError(t, err)
		require.Equal(t, VerifyReport{OK: true, Records: int64(len(goldenDrafts()) + 2), Notes: []string{unwitnessed}}, report, "it is older than journal.end")
		opt := goldenOptions(dir)
		opt.Random = nil
		s, err := Open(t.Context(), opt)
		require.NoError(t, err)
		require.Empty(t, s.Repairs())
		require.Equal(t, goldenDigest(t, s), digest(t, s),
			"the same records fold to another state: change ledger.FoldVersion, and write its digest with -golden")
		require.Len(t, s.OwnLogs(), 2)
		recs, err := s.Append(t.Context(), received("NEXT", "P", "H-2207"))
		require.NoError(t, err)
		require.EqualValues(t, len(goldenDrafts()), recs[0].Seq(), "it goes on in its own log")
		require.NoError(t, s.Close())
	}
}

// goldenDigest is the digest under the present rules of the fold.
func goldenDigest(t *testing.T, s *Store) string {
	path := filepath.Join(filepath.Dir(goldenStore), fmt.Sprintf("v1-fold-%d.txt", ledger.FoldVersion))
	if _, err := os.Stat(path); *goldenFlag && err != nil {
		require.NoError(t, os.WriteFile(path, []byte(digest(t, s)+"\n"), 0o644))
	}
	b, err := os.ReadFile(path)
	require.NoError(t, err, "there is no digest for fold version %d; write it with -golden after looking at the change", ledger.FoldVersion)
	return strings.TrimSpace(string(b))
}

func writeGoldenStore(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), goldenOptions(dir))
	require.NoError(t, err)
	for _, d := range goldenDrafts() {
		s.opt.Clock.(*clock.Manual).Advance(time.Minute)
		_, err := s.Append(t.Context(), d)
		require.NoError(t, err)
	}
	digest(t, s)
	require.NoError(t, s.Close())
	// The reserve holds nothing, and the lock is of the moment.
	require.NoError(t, os.Remove(filepath.Join(dir, "journal", "reserve")))
	require.NoError(t, os.Remove(filepath.Join(dir, "index", "lock")))
	zeros, err := os.ReadFile(filepath.Join(dir, emptyFile))
	require.NoError(t, err)
	require.Equal(t, make([]byte, 1<<20), zeros)
	require.NoError(t, os.Remove(filepath.Join(dir, emptyFile)))
	require.NoError(t, os.MkdirAll(filepath.Dir(goldenStore), 0o755))
	require.NoError(t, os.CopyFS(goldenStore, os.DirFS(dir)))
}
