package ledger

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Rights records decide about each other: a log is in because a device was
// added, by a person whose grant stands in another log, which a revocation may
// cut. The solver finds the one answer that depends on the set alone.
//
//	outer loop   the first revocation or admission in written order that counts
//	             under what has taken effect so far takes effect, for good
//	inner loop   under fixed cuts, devices and grants are added until none is
//	             left to add; each one added can only let in more
//
// So of two owners who shut each other out, the one who wrote first does.
type solver struct {
	r      *Rights
	recs   []Input     // written order
	keys   []openedLog // every log whose opening is held
	effect []*Input    // revocations and admissions in effect
	done   map[event.Hash]bool
	at     map[event.Hash]int // place in recs
}

type openedLog struct {
	log event.LogID
	key ed25519.PublicKey
}

func foldRights(s *set) State {
	r := &Rights{}
	v := &solver{r: r, recs: s.inputs, done: map[event.Hash]bool{}, at: map[event.Hash]int{}}
	if v.found() {
		v.solve()
	}
	entitled := make([]Input, 0, len(s.inputs))
	for _, in := range s.inputs {
		if st := r.standing(&in); st.In {
			in.Entitled = st.Entitled
			entitled = append(entitled, in)
		}
	}
	again := newSet(s.key, entitled)
	again.tooMuch = s.tooMuch
	r.Common = again.common()
	return r
}

// found looks for the founding of this practice: the one that this replica
// joined, or else the first in written order.
func (v *solver) found() bool {
	for i, in := range v.recs {
		v.at[in.Rec.Hash] = i
		if p, ok := in.Payload.(*pb.LogOpened); ok {
			v.keys = append(v.keys, openedLog{in.Rec.Log, p.PublicKey})
		}
		if p, ok := in.Payload.(*pb.PracticeFounded); ok {
			v.founding(Founding{
				Record: in.Rec.Hash, Practice: p.Practice, Owner: p.Owner,
				Log: in.Rec.Log, Seq: in.Rec.Seq(), HlcUs: in.Rec.Head.HlcUs, Authority: bytes.Clone(p.Authority),
			}, in.Foreign)
		}
	}
	slices.SortFunc(v.keys, func(a, b openedLog) int { return a.log.Compare(b.log) })
	return v.r.Founding != nil
}

func (v *solver) founding(f Founding, foreign bool) {
	if v.r.Founding == nil && !foreign {
		v.r.Founding = &f
		return
	}
	v.r.Joined = append(v.r.Joined, f)
}

func (v *solver) solve() {
	for {
		v.settle()
		next := slices.IndexFunc(v.recs, v.takesEffect)
		if next < 0 {
			return
		}
		in := &v.recs[next]
		v.done[in.Rec.Hash] = true
		v.effect = append(v.effect, in)
		slices.SortStableFunc(v.effect, func(a, b *Input) int { return event.CompareWritten(a.Rec, b.Rec) })
		if _, ok := in.Payload.(*pb.RightsRevoked); ok {
			v.r.Revoked = append(v.r.Revoked, in.Rec.Hash)
		} else {
			v.r.Admissions = append(v.r.Admissions, in.Rec.Hash)
		}
	}
}

// takesEffect says that a revocation or admission counts and has not yet.
func (v *solver) takesEffect(in Input) bool {
	switch in.Payload.(type) {
	case *pb.RightsRevoked, *pb.LogAdmitted:
		return !v.done[in.Rec.Hash] && Clean(v.r.standing(&in))
	}
	return false
}

// settle adds devices and grants under the cuts in effect until none is left.
func (v *solver) settle() {
	v.r.Devices, v.r.Grants, v.r.Servers = nil, nil, nil
	v.cutGrants()
	v.admitFounder()
	v.admitServers()
	for {
		v.bound()
		if !v.grow() {
			return
		}
	}
}

// admitFounder adds what the founding gives: its device and its owner's roles.
func (v *solver) admitFounder() {
	f := v.r.Founding
	if i := slices.IndexFunc(v.keys, func(o openedLog) bool { return o.log == f.Log }); i >= 0 {
		f.Device = event.DeviceID(v.keys[i].key)
		v.r.Devices = append(v.r.Devices, DeviceRight{Device: f.Device, Added: f.Record})
		v.r.Servers = append(v.r.Servers, f.Device)
	}
	v.r.Grants = append(v.r.Grants, Grant{
		Record: f.Record, Person: f.Owner,
		Roles: slices.Clone(foundersRoles),
	})
}

// admitServers adds the devices that the authority put in the place of a lost
// server. Their logs are in the books by that signature alone: nobody who is in
// them could have let the new device in, since the server that does so was lost.
func (v *solver) admitServers() {
	for _, in := range v.recs {
		p, ok := in.Payload.(*pb.ServerRestored)
		if !ok || !v.r.Founding.signed(p) || !v.opened(in.Rec.Log, p.PublicKey) {
			continue
		}
		v.r.addDevice(in.Rec.Hash, &pb.DeviceAdded{PublicKey: p.PublicKey, Name: p.Name})
		if id := event.DeviceID(p.PublicKey); !v.r.WasServer(id) {
			v.r.Servers = append(v.r.Servers, id)
		}
	}
}

// opened says that the log is written by the device with this key.
func (v *solver) opened(log event.LogID, key ed25519.PublicKey) bool {
	return slices.ContainsFunc(v.keys, func(o openedLog) bool { return o.log == log && o.key.Equal(key) })
}

// ServerClaim is what the practice's authority signs to put a device in the place
// of a lost server.
func ServerClaim(founding event.Hash, device ed25519.PublicKey) []byte {
	return append(append([]byte("thawtrail server restored 1\x00"), founding[:]...), device...)
}

// signed says that the authority which the founding names signed the claim.
func (f *Founding) signed(p *pb.ServerRestored) bool {
	return len(f.Authority) == ed25519.PublicKeySize && len(p.PublicKey) == ed25519.PublicKeySize &&
		ed25519.Verify(f.Authority, ServerClaim(f.Record, p.PublicKey), p.Signature)
}

// WasServer says that a device is, or was, the practice's server.
func (r *Rights) WasServer(id []byte) bool {
	return r != nil && slices.ContainsFunc(r.Servers, func(s []byte) bool { return bytes.Equal(s, id) })
}

// grow adds every device and grant that counts now and says whether any was new.
func (v *solver) grow() bool {
	grown := false
	for _, in := range v.recs {
		if !Clean(v.r.standing(&in)) {
			continue
		}
		switch p := in.Payload.(type) {
		case *pb.DeviceAdded:
			grown = v.r.addDevice(in.Rec.Hash, p) || grown
		case *pb.RoleGranted:
			grown = v.r.addGrant(in.Rec.Hash, p) || grown
		}
	}
	slices.SortStableFunc(v.r.Grants, v.writtenBefore)
	return grown
}

func (v *solver) writtenBefore(a, b Grant) int { return v.at[a.Record] - v.at[b.Record] }

// addDevice adds a device by its public key, or names it better.
func (r *Rights) addDevice(by event.Hash, p *pb.DeviceAdded) bool {
	id := event.DeviceID(p.PublicKey)
	i, ok := slices.BinarySearchFunc(r.Devices, id, func(d DeviceRight, id []byte) int { return bytes.Compare(d.Device, id) })
	d := DeviceRight{Device: id, Name: p.Name, Place: p.Place, Person: p.Person, Added: by}
	if ok {
		d.Person = cmp.Or(d.Person, r.Devices[i].Person)
		r.Devices[i] = d
		return false
	}
	r.Devices = slices.Insert(r.Devices, i, d)
	return true
}

func (r *Rights) addGrant(by event.Hash, p *pb.RoleGranted) bool {
	if slices.ContainsFunc(r.Grants, func(g Grant) bool { return g.Record == by }) {
		return false
	}
	r.Grants = append(r.Grants, Grant{Record: by, Person: p.Person, Roles: slices.Clone(p.Roles)})
	return true
}

// bound works out how far each log is in: a device's logs whole, then the cuts
// and admissions in written order. Of cuts, the lowest wins; an admission lets
// in more than the cuts written before it.
func (v *solver) bound() {
	v.r.Logs, v.r.ShutOut = nil, nil
	for _, o := range v.keys {
		l := LogRight{Log: o.log, Device: event.DeviceID(o.key), Upto: -1, Vouched: -1}
		if slices.ContainsFunc(v.r.Devices, func(d DeviceRight) bool { return bytes.Equal(d.Device, l.Device) }) {
			l.Upto = all
		}
		v.r.Logs = append(v.r.Logs, l)
	}
	for _, in := range v.effect {
		switch p := in.Payload.(type) {
		case *pb.RightsRevoked:
			v.r.cutDevice(p)
		case *pb.LogAdmitted:
			v.r.admit(p)
		}
	}
}

// cutDevice ends a device's logs where the revocation says; those it does not
// list, whole.
func (r *Rights) cutDevice(p *pb.RightsRevoked) {
	if len(p.Device) == 0 {
		return
	}
	if i, shut := slices.BinarySearchFunc(r.ShutOut, p.Device, bytes.Compare); !shut {
		r.ShutOut = slices.Insert(r.ShutOut, i, p.Device)
	}
	for i := range r.Logs {
		l := &r.Logs[i]
		if !bytes.Equal(l.Device, p.Device) {
			continue
		}
		upto, hash := int64(-1), event.Hash{}
		for _, c := range p.Cuts {
			if bytes.Equal(c.GetLog(), l.Log[:]) {
				upto = int64(min(c.GetSeq(), all))
				hash, _ = event.ToHash(c.GetHash())
			}
		}
		if upto < l.Upto {
			l.Upto, l.UptoHash = upto, hash
		}
	}
}

// admit lets a log in, up to a record or whole.
func (r *Rights) admit(p *pb.LogAdmitted) {
	log, ok := event.ToHash(p.Log)
	if !ok {
		return
	}
	l := r.log(log)
	if l == nil {
		i := slices.IndexFunc(r.Logs, func(l LogRight) bool { return l.Log.Compare(log) > 0 })
		if i < 0 {
			i = len(r.Logs)
		}
		r.Logs = slices.Insert(r.Logs, i, LogRight{Log: log, Upto: -1, Vouched: -1})
		l = &r.Logs[i]
	}
	upto, hash := int64(all), event.Hash{}
	if p.Upto != nil {
		upto = int64(min(p.Upto.GetSeq(), all))
		hash, _ = event.ToHash(p.Upto.GetHash())
	}
	if p.Joined {
		l.Vouched = max(l.Vouched, upto)
	}
	if upto > l.Upto {
		l.Upto, l.UptoHash = upto, hash
	}
}

// cutGrants lists the grants that revocations in effect end.
func (v *solver) cutGrants() {
	v.r.GrantCuts = nil
	for _, in := range v.effect {
		p, ok := in.Payload.(*pb.RightsRevoked)
		if !ok || p.Grant == "" {
			continue
		}
		grant, ok := event.ParseHash(p.Grant)
		if !ok {
			continue
		}
		c := GrantCut{Grant: grant}
		for _, t := range p.Cuts {
			if log, ok := event.ToHash(t.GetLog()); ok {
				c.Logs = append(c.Logs, Cut{Log: log, Upto: int64(min(t.GetSeq(), all))})
			}
		}
		v.r.GrantCuts = append(v.r.GrantCuts, c)
	}
}
