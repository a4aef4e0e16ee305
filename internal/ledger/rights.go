package ledger

import (
	"bytes"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Rights says whose records count: which logs are in the books, and who held
// which roles. There is one for the practice. A nil *Rights is a laptop alone,
// before any practice: all is in, everyone may do everything.
type Rights struct {
	_ struct{} `cbor:",toarray"`
	Common
	Founding   *Founding
	Devices    []DeviceRight // by id
	Logs       []LogRight    // by log
	Grants     []Grant       // written order
	GrantCuts  []GrantCut    // by grant
	Revoked    []event.Hash  // revocations that count, in the order they took effect
	Admissions []event.Hash  // admissions that count, likewise
	ShutOut    [][]byte      // ids of devices that a revocation in effect names, sorted
	Joined     []Founding    // other foundings: laptops that were a practice of one; written order
	Servers    [][]byte      // ids of the devices that were the practice's server; the founder's first, then written order
}

// Founding is the record that began the practice: the root of all rights.
type Founding struct {
	_        struct{} `cbor:",toarray"`
	Record   event.Hash
	Practice string
	Owner    string // person: owner, clinic and vet by this record
	Device   []byte // id
	Log      event.LogID
	Seq      uint64
	HlcUs    int64
	// Authority is the key that can put a new server in the place of a lost one;
	// empty for a practice of one.
	Authority []byte
}

// DeviceRight is one laptop of the practice.
type DeviceRight struct {
	_      struct{} `cbor:",toarray"`
	Device []byte   // id
	Name   string
	Place  string     // the place it works from
	Person string     // whose it is, when the books say so
	Added  event.Hash // the record that added it, or the founding
}

// LogRight is how far a log is in the books.
type LogRight struct {
	_      struct{} `cbor:",toarray"`
	Log    event.LogID
	Device []byte // id; empty when the opening is not here
	Upto   int64  // last seq that is in; -1: nothing; math.MaxInt64: all
	// UptoHash is the record at Upto, when a cut or an admission names it.
	UptoHash event.Hash
	// Vouched is the last seq of a log that came from a practice of one, as an
	// admission says; -1: none.
	Vouched int64
}

// foundersRoles are what the founding gives to the practice's first owner.
var foundersRoles = []pb.Role{pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC, pb.Role_ROLE_OWNER}

// all stands in LogRight.Upto and GrantCut for no limit.
const all = math.MaxInt64

// Grant is a RoleGranted that counts, or the founding.
type Grant struct {
	_      struct{} `cbor:",toarray"`
	Record event.Hash
	Person string
	Roles  []pb.Role
}

// GrantCut ends a grant: records that cite it count up to a point of each log.
type GrantCut struct {
	_     struct{} `cbor:",toarray"`
	Grant event.Hash
	Logs  []Cut // logs that are not listed are cut whole
}

// Cut is the last record of a log that counts.
type Cut struct {
	_    struct{} `cbor:",toarray"`
	Log  event.LogID
	Upto int64
}

// Standing is a record's place under the rights.
type Standing struct {
	In       bool // its log is in the books this far
	Entitled bool // its author held the right to write it
}

// Clean says that the record counts in every respect.
func Clean(s Standing) bool { return s.In && s.Entitled }

// FoldRights folds the rights from all records that touch event.RightsKey,
// unfiltered; Input.Entitled is not looked at. Nil when there are none.
func FoldRights(inputs []Input) *Rights {
	r, _ := Fold(event.RightsKey, inputs).(*Rights)
	return r
}

// Standing says whether the record is in, and whether its author was entitled.
// It is the same for every replica that holds the same rights records.
//
// A cut stands at a seq. A branch that left the log before the cut is told from
// the log itself only at the cut, by the hash there.
func (r *Rights) Standing(rec *event.Record) Standing {
	if r == nil || r.Founding == nil {
		return Standing{In: true, Entitled: true}
	}
	return Standing{In: r.in(rec), Entitled: r.entitled(rec)}
}

func (r *Rights) in(rec *event.Record) bool {
	if rec.Original().Hash == r.Founding.Record {
		return true
	}
	l := r.log(rec.Log)
	if l == nil {
		return false
	}
	seq := int64(min(rec.Seq(), all))
	return seq < l.Upto || seq == l.Upto && (l.UptoHash.IsZero() || l.UptoHash == rec.Hash)
}

// entitled holds the grant that the record cites against the roles that it
// needs. To know the grant's hash proves that it lay in the author's past.
//
// Of a record that was saved again, the head says who wrote it by which grant, as
// ever; the place is that of the record that carries it.
func (r *Rights) entitled(rec *event.Record) bool {
	said := rec.Original()
	switch said.Head.Type {
	case event.TypeHubStatement, event.TypeCopiesMet:
		return r.byHub(rec)
	}
	needed, always := rolesNeeded(said)
	if always || said.Hash == r.Founding.Record || r.beforeFounding(rec) || r.vouchedFor(rec, needed) {
		return true
	}
	cited, ok := event.ToHash(said.Head.Grant)
	i := slices.IndexFunc(r.Grants, func(g Grant) bool { return g.Record == cited })
	if !ok || i < 0 {
		return false
	}
	g := &r.Grants[i]
	return g.Person == said.Head.Author && covers(g.Roles, needed) && r.citable(g.Record, rec)
}

// byHub says that the practice's server wrote the record: the device on which the
// practice was founded, or one in its place. No other laptop speaks for it.
func (r *Rights) byHub(rec *event.Record) bool {
	l := r.log(rec.Log)
	return l != nil && r.WasServer(l.Device)
}

// beforeFounding says that the founder's laptop wrote the record before there
// was a practice, and so before there was any grant to cite.
func (r *Rights) beforeFounding(rec *event.Record) bool {
	f := r.Founding
	if rec.Log == f.Log {
		return rec.Seq() < f.Seq
	}
	l := r.log(rec.Log)
	return l != nil && bytes.Equal(l.Device, f.Device) && rec.Original().Head.HlcUs < f.HlcUs
}

// vouchedFor says that the record was written by a laptop while it was a practice
// of one, by its founder, and that this practice has since let it join with its
// logs up to this record. It was a decision of somebody who was entitled there. Records
// that make rights are left out, but for the founding itself: they gave rights in
// that practice, not in this.
func (r *Rights) vouchedFor(rec *event.Record, needed []pb.Role) bool {
	l := r.log(rec.Log)
	if l == nil || int64(min(rec.Seq(), all)) > l.Vouched {
		return false
	}
	said := rec.Original()
	if rec.Rights() {
		return slices.ContainsFunc(r.Joined, func(f Founding) bool { return f.Record == said.Hash })
	}
	return slices.ContainsFunc(r.Joined, func(f Founding) bool {
		home := r.log(f.Log)
		if home == nil || int64(min(f.Seq, all)) > home.Vouched || !bytes.Equal(l.Device, home.Device) {
			return false
		}
		cited, ok := event.ToHash(said.Head.Grant)
		if !ok {
			return said.Head.HlcUs < f.HlcUs
		}
		return cited == f.Record && said.Head.Author == f.Owner && covers(foundersRoles, needed)
	})
}

// log finds how far a log is in; nil when it is not known here.
func (r *Rights) log(id event.LogID) *LogRight {
	i, ok := slices.BinarySearchFunc(r.Logs, id, func(l LogRight, id event.LogID) int { return l.Log.Compare(id) })
	if !ok {
		return nil
	}
	return &r.Logs[i]
}

// citable says that no revocation of the grant lies before the record.
func (r *Rights) citable(grant event.Hash, rec *event.Record) bool {
	for _, c := range r.GrantCuts {
		if c.Grant != grant {
			continue
		}
		i := slices.IndexFunc(c.Logs, func(l Cut) bool { return l.Log == rec.Log })
		if i < 0 || int64(min(rec.Seq(), all)) > c.Logs[i].Upto {
			return false
		}
	}
	return true
}

// rolesNeeded lists the roles of which the author needs one; none is any role.
// Always is what the program writes by itself. A correction needs what it puts
// in place, or voids, needs.
func rolesNeeded(rec *event.Record) (roles []pb.Role, always bool) {
	spec, ok := event.Lookup(rec.Head.Type)
	if !ok {
		return nil, false
	}
	if spec.Type == event.TypeCorrected {
		c := &pb.Corrected{}
		if err := proto.Unmarshal(rec.Raw.Payload, c); err == nil {
			if to, ok := event.Lookup(c.Type); ok {
				return to.Rule.GetRoles(), false
			}
		}
		return nil, false
	}
	roles = spec.Rule.GetRoles()
	return roles, spec.Rule.GetInternal() && len(roles) == 0
}

// covers says that one of the needed roles is held, or that any will do.
func covers(held, needed []pb.Role) bool {
	return len(held) > 0 && len(needed) == 0 ||
		slices.ContainsFunc(needed, func(n pb.Role) bool { return slices.Contains(held, n) })
}

// Roles lists the roles that a person holds by grants that count and are
// not revoked, in the order of their numbers.
func (r *Rights) Roles(person string) []pb.Role {
	var out []pb.Role
	if r == nil {
		return nil
	}
	for _, g := range r.GrantsOf(person) {
		out = append(out, g.Roles...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// GrantsOf lists the grants of a person that count and are not revoked, in written order.
func (r *Rights) GrantsOf(person string) (out []Grant) {
	if r == nil {
		return nil
	}
	for _, g := range r.Grants {
		revoked := slices.ContainsFunc(r.GrantCuts, func(c GrantCut) bool { return c.Grant == g.Record })
		if !revoked && g.Person == person {
			out = append(out, g)
		}
	}
	return out
}

// GrantFor finds the newest unrevoked grant by which a person holds one
// of the needed roles: what a new record of that person cites.
func (r *Rights) GrantFor(person string, needed []pb.Role) (event.Hash, bool) {
	if r == nil {
		return event.Hash{}, false
	}
	for _, g := range slices.Backward(r.GrantsOf(person)) {
		if covers(g.Roles, needed) {
			return g.Record, true
		}
	}
	return event.Hash{}, false
}
