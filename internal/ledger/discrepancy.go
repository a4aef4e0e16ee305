package ledger

import (
	"cmp"
	"crypto/sha256"
	"maps"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Kinds of discrepancy.
const (
	GivenToTwoPatients  = "given_to_two_patients"  // bag
	EnteredTwice        = "entered_twice"          // bag: one transfusion, two entries
	ReceivedTwice       = "received_twice"         // bag
	OverVolume          = "over_volume"            // bag: more given than the label's mL
	GivenAfterExpiry    = "given_after_expiry"     // bag: expiry, thaw clock or set clock
	CustodyBroken       = "custody_broken"         // bag: not where the story had put it
	FoundBag            = "found_bag"              // bag: nobody had received or put it there
	ThawedTwice         = "thawed_twice"           // bag
	Refrozen            = "refrozen"               // bag
	CountDiffers        = "count_differs"          // bag: not seen where it should lie
	Missing             = "missing"                // bag
	GivenAfterHold      = "given_after_hold"       // batch
	SameFoalOpenedTwice = "same_foal_opened_twice" // dam
	TimeInDoubt         = "time_in_doubt"          // log
	LogForked           = "log_forked"             // log
	TwoStories          = "two_stories"            // log: another laptop names other records of it
	StatementInDoubt    = "statement_in_doubt"     // log: what the server states does not fit
	LostRecords         = "records_lost"           // log: gone from the disk that alone had them
	DeviceTwice         = "device_twice"           // log: two live copies of its device's folder
	TooMuch             = "too_much"               // any entity: its state is cut short
	UnreadableRecord    = "unreadable_record"      // primary entity of the record
	NotEntitled         = "not_entitled"           // primary entity of the record
	CorrectedApart      = "corrected_apart"        // primary entity of the original
	NeedsNewerVersion   = "needs_newer_version"    // primary entity of the record
)

// Kinds are all kinds of discrepancy, sorted.
func Kinds() []string { return slices.Sorted(maps.Keys(sentences)) }

// sentences say each kind in plain words, without names.
var sentences = map[string]string{
	GivenToTwoPatients:  "This bag was given to two different patients.",
	EnteredTwice:        "One transfusion of this bag was entered twice; it is counted once.",
	ReceivedTwice:       "This bag was taken into stock twice.",
	OverVolume:          "More was given from this bag than its label says it holds.",
	GivenAfterExpiry:    "This bag was given after its expiry or its use-by time.",
	CustodyBroken:       "This bag was handled at a place where the records had not put it.",
	FoundBag:            "This bag turned up where nobody had received it or put it.",
	ThawedTwice:         "This bag was put into a water bath twice.",
	Refrozen:            "This bag went back into a freezer after it had been soft or thawed.",
	CountDiffers:        "A count did not see this bag where the records had put it.",
	Missing:             "This bag cannot be found.",
	GivenAfterHold:      "A bag of this batch was given after the batch was put on hold or recalled.",
	SameFoalOpenedTwice: "Two open cases may be the same foal of this dam.",
	TimeInDoubt:         "This log's clock disagrees with the server's.",
	LogForked:           "This log has two different records at one position.",
	TwoStories:          "Two laptops were told different records at one position of this log.",
	StatementInDoubt:    "What the server stated of this log disagrees with it: it names a record that the log does not have, or less than before.",
	LostRecords:         "Records of this log were damaged on the laptop that wrote them before the clinic's server had them, and they are lost unless they turn up elsewhere. What was written after them was saved again in a new log.",
	DeviceTwice:         "Two copies of this laptop's data folder were connected at the same time. Stop one of them, and let it join as a laptop of its own.",
	TooMuch:             "So much was written about this that only a part of it is shown. Every record is kept.",
	UnreadableRecord:    "A record here cannot be read.",
	NotEntitled:         "A record here was written without the right to write it.",
	CorrectedApart:      "A record was corrected by two people who had not seen each other's correction.",
	NeedsNewerVersion:   "A record here can only be read by a newer version of the program.",
}

// Answers to 'could they have known'.
const (
	HoldReached    = "reached"
	HoldNotReached = "not_reached"
	HoldUnknown    = "unknown"
)

// Token is one piece of evidence: a hash of the claim and its records.
type Token [sha256.Size]byte

// Explanation is a person's word that settles the evidence it names.
type Explanation struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Text   string
	Covers []Token
}

// Discrepancy is where an entity's records do not fit together. Kind and entity
// identify it.
type Discrepancy struct {
	_            struct{} `cbor:",toarray"`
	Kind         string
	Entity       event.Key
	Evidence     []Token // sorted
	Open         bool    // some evidence is not explained
	Explanations []Explanation
	HoldReached  string // given_after_hold: reached, not_reached or unknown
	Text         string // one plain sentence without names
	Records      []event.Hash
	OccurredMs   int64 // of the newest evidence
}

// claim is one piece of evidence while an entity is folded.
type claim struct {
	kind, says string
	records    []event.Hash
	atMs       int64
	reached    string
}

func (s *set) claim(c claim) { s.claims = append(s.claims, c) }

// differ claims that facts do not fit together.
func (s *set) differ(kind, says string, atMs int64, facts ...*fact) {
	c := claim{kind: kind, says: says, atMs: atMs}
	for _, f := range facts {
		c.records = append(c.records, f.sources()...)
	}
	s.claim(c)
}

// token hashes the claim and its records, whatever their order.
func (c claim) token() Token {
	slices.SortFunc(c.records, event.Hash.Compare)
	d := sha256.New()
	d.Write([]byte("thawtrail evidence 1\x00" + c.kind + "\x00" + c.says + "\x00"))
	for _, h := range slices.Compact(c.records) {
		d.Write(h[:])
	}
	var t Token
	d.Sum(t[:0])
	return t
}

// discrepancies gathers the claims by kind and says which are explained.
func (s *set) discrepancies() []Discrepancy {
	slices.SortStableFunc(s.claims, func(a, b claim) int { return cmp.Compare(a.kind, b.kind) })
	var out []Discrepancy
	for _, c := range s.claims {
		if len(out) == 0 || out[len(out)-1].Kind != c.kind {
			out = append(out, Discrepancy{Kind: c.kind, Entity: s.key, Text: sentences[c.kind]})
		}
		out[len(out)-1].add(c)
	}
	for i := range out {
		d := &out[i]
		slices.SortFunc(d.Evidence, compareTokens)
		slices.SortFunc(d.Records, event.Hash.Compare)
		d.Evidence, d.Records = slices.Compact(d.Evidence), slices.Compact(d.Records)
		s.explain(d)
	}
	return out
}

func (d *Discrepancy) add(c claim) {
	d.Evidence = append(d.Evidence, c.token())
	d.Records = append(d.Records, c.records...)
	d.OccurredMs = max(d.OccurredMs, c.atMs)
	d.HoldReached = graver(d.HoldReached, c.reached)
}

// graver keeps the answer that weighs most when there are several pieces.
func graver(a, b string) string {
	for _, r := range []string{HoldReached, HoldUnknown, HoldNotReached} {
		if a == r || b == r {
			return r
		}
	}
	return ""
}

// explain adds the standing explanations and says whether evidence is left.
func (s *set) explain(d *Discrepancy) {
	left := slices.Clone(d.Evidence)
	for _, f := range s.facts {
		p, ok := f.body.(*pb.DiscrepancyExplained)
		if !ok || p.Kind != d.Kind || (event.Key{Kind: p.EntityKind, ID: p.Entity}) != s.key {
			continue
		}
		e := Explanation{Stamp: f.stamp(), Text: p.Text}
		for _, b := range p.Evidence {
			if h, ok := event.ToHash(b); ok {
				e.Covers = insert(e.Covers, Token(h), compareTokens)
			}
		}
		left = slices.DeleteFunc(left, func(t Token) bool { return slices.Contains(e.Covers, t) })
		d.Explanations = append(d.Explanations, e)
	}
	d.Open = len(left) > 0
}

func compareTokens(a, b Token) int { return event.Hash(a).Compare(event.Hash(b)) }

// insert puts v into a sorted list that holds each value once.
func insert[T any](list []T, v T, compare func(a, b T) int) []T {
	i, found := slices.BinarySearchFunc(list, v, compare)
	if found {
		return list
	}
	return slices.Insert(list, i, v)
}
