package ledger_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// drawn is a practice's life drawn at random: three laptops that see each other
// now and then, fork, correct, hold, revoke and admit.
type drawn struct {
	*ledgertest.World
	t        *rapid.T
	devices  []*ledgertest.Device
	founding *event.Record
}

func drawWorld(tb testing.TB, t *rapid.T) []*event.Record {
	w := ledgertest.New(tb)
	d := &drawn{World: w, t: t}
	for _, name := range []string{"home", "car", "barn"} {
		d.devices = append(d.devices, w.Device(name))
	}
	if rapid.Bool().Draw(t, "founded") {
		d.founding = w.Found(d.devices[0], func(p *pb.PracticeFounded) { p.Authority = authority().Public().(ed25519.PublicKey) })
		w.Admit(d.devices[0], d.devices[1])
	}
	for range rapid.IntRange(1, 25).Draw(t, "acts") {
		d.act()
	}
	return w.Records()
}

func (d *drawn) device() *ledgertest.Device { return rapid.SampledFrom(d.devices).Draw(d.t, "device") }
func (d *drawn) record() *event.Record      { return rapid.SampledFrom(d.Records()).Draw(d.t, "record") }
func (d *drawn) one(of ...string) string    { return rapid.SampledFrom(of).Draw(d.t, "id") }

func (d *drawn) act() {
	x := d.device()
	switch rapid.IntRange(0, 13).Draw(d.t, "act") {
	case 0:
		d.Pass(time.Duration(rapid.IntRange(0, 300).Draw(d.t, "minutes")) * time.Minute)
		x.Offset = time.Duration(rapid.IntRange(-90, 90).Draw(d.t, "clock")) * time.Minute
		if rapid.Bool().Draw(d.t, "measured") {
			x.Measure()
		}
	case 1:
		x.See(d.record())
	case 2:
		d.fork(x)
	case 3:
		d.correct(x)
	case 4:
		x.Hear(d.device().Write(held()))
	case 5:
		d.rights(x)
	case 6:
		r := d.record()
		x.Write(&pb.Signed{Records: []string{r.Hash.String()}}, ledgertest.By(d.one("reed", "moss"), nil), ledgertest.Touching(r.Touches()...))
	case 7:
		saveAgain(x, d.record())
	default:
		x.Write(d.fact(), d.when())
	}
}

// saveAgain lets a device carry a record of its own in a newer log.
func saveAgain(x *ledgertest.Device, r *event.Record) {
	if r.Seq() == 0 || r.Original() != r || !bytes.Equal(r.Head.Device, x.ID()) {
		return
	}
	if r.Log == x.Log() {
		x.NewEpoch("records were lost")
	}
	x.Write(event.Carry(r))
}

// fork writes two records at one place of the log, at the same hybrid clock:
// only the hash tells them apart.
func (d *drawn) fork(x *ledgertest.Device) {
	back := x.Fork()
	x.Write(d.fact())
	back()
	x.Write(d.fact())
}

func (d *drawn) correct(x *ledgertest.Device) {
	r := d.record()
	if r.Rights() || r.Head.Type < 5 || r.Head.Type > 1000 {
		return
	}
	var to proto.Message
	if rapid.Bool().Draw(d.t, "replace") {
		to = d.fact()
	}
	x.Correct(r, to, ledgertest.Knowing(d.record()))
}

func (d *drawn) rights(x *ledgertest.Device) {
	by := ledgertest.By("owner", d.founding)
	switch rapid.IntRange(0, 5).Draw(d.t, "right") {
	case 0:
		x.Write(&pb.RoleGranted{Person: d.one("reed", "moss"), Roles: []pb.Role{vet, owner}}, by)
	case 1:
		x.Write(&pb.RightsRevoked{Device: d.device().ID(), Cuts: d.device().Tips(), Reason: "x"}, by)
	case 2:
		log := d.device().Log()
		x.Write(&pb.LogAdmitted{Log: log[:], Reason: "x"}, by)
	case 3:
		x.Write(&pb.RightsRevoked{Grant: d.record().Hash.String(), Reason: "x"}, by)
	case 4:
		y := d.device()
		x.Write(&pb.DeviceAdded{Device: y.ID(), PublicKey: y.Public(), Name: y.Name}, by)
	case 5:
		of := event.Hash{}
		if d.founding != nil {
			of = d.founding.Hash
		}
		x.Write(&pb.ServerRestored{PublicKey: x.Public(), Signature: ed25519.Sign(authority(), ledger.ServerClaim(of, x.Public()))})
	}
}

// authority is the key that the founding of a practice under test names.
func authority() ed25519.PrivateKey {
	seed := sha256.Sum256([]byte("authority"))
	return ed25519.NewKeyFromSeed(seed[:])
}

func (d *drawn) when() ledgertest.Option {
	return ledgertest.At(d.Now().Add(-time.Duration(rapid.IntRange(0, 600).Draw(d.t, "ago")) * time.Minute))
}

func (d *drawn) fact() proto.Message {
	place, id, patient := d.one("car", "freezer"), d.one("C1", "C2"), d.one(mare, other)
	words := &pb.Sealed{KeyId: []byte{1}, Nonce: []byte{2}, Ciphertext: []byte(place)}
	facts := []proto.Message{
		received(place), moved(d.one("car", "freezer"), place), thawed(place), found(place),
		&pb.BagThawed{Bag: "B1"}, &pb.SetAttached{Bag: "B1", Case: id}, &pb.BagRefrozen{Bag: "B1"},
		&pb.BagMissing{Bag: "B1"}, &pb.BagsLent{Bags: []string{"B1"}}, counted(place, []string{"B1"}, nil),
		started(id, patient, place), started(id, patient, place), ended(id, patient, 700),
		opened(id, ""), card(), &pb.SettingsChanged{Name: "recheck_hours", Value: place},
		&pb.FlowChanged{Case: id, GivenMl: proto.Int32(40)}, &pb.VitalsNoted{Case: id, GivenMl: proto.Int32(90)},
		&pb.KitStocked{Place: place, Item: 1, Count: 4}, &pb.KitUsed{Place: place, Item: 1, Count: 1, Case: id},
		&pb.KitCounted{Place: place, Item: 1, Counted: 2, Expected: 3},
		&pb.TemperatureRead{Place: place, NowDc: -180}, &pb.PlaceAdded{Place: place, Name: place},
		&pb.PlaceWarm{Place: place, From: &pb.Moment{UnixMs: 5}}, &pb.PersonAdded{Person: "reed", Name: "J. Reed"},
		&pb.ClientAdded{Client: "K", Name: &pb.Sealed{KeyId: []byte{1}, Nonce: []byte{2}, Ciphertext: []byte{3}}},
		&pb.CaseOpened{Case: id, Kind: 2, PatientName: "Sea Cove", Client: "K", YardSealed: words}, &pb.CaseOpened{Case: id, Kind: 2, PatientName: "Sea Cove", Client: "K", Yard: place},
		&pb.EstimateAgreed{Case: id, CaseClient: "K", BySealed: words}, &pb.ReferralOffered{Case: id, CaseClient: "K", BySealed: words}, &pb.EstimateAgreed{Case: id, By: place},
		&pb.MareDue{Mare: "M1", Name: "Quiet Harbour", YardClient: "K", YardSealed: words}, &pb.MareDue{Mare: "M1", Name: "Quiet Harbour", Client: "K", Yard: place},
		started(id, "name:SEA COVE/YARD", place), started(id, "client:K/SEA COVE", place),
		&pb.NoteAdded{EntityKind: "bag", Entity: "B1", Text: &pb.Sealed{Ciphertext: []byte{4}}},
		&pb.Linked{Kind: "case", First: "C1", Second: "C2"}, &pb.CaseClosed{Case: id, Outcome: 1},
		&pb.HubStatement{Number: 1, WallUs: d.Now().UnixMicro(), Accepted: []*pb.AcceptedTip{{Tip: d.device().Tips()[0]}}},
		lost(d.device().Log()), &pb.CopiesMet{Device: d.device().ID(), Log: lost(d.device().Log()).Log, Boots: [][]byte{{1}, {2}}},
		&pb.DiscrepancyExplained{Kind: ledger.FoundBag, EntityKind: "bag", Entity: "B1", Text: "known"},
		&pb.DonorRecorded{Donor: "D", Name: "Bess"}, &pb.VehicleAdded{Vehicle: "V", Name: "north"},
		&pb.ProtocolSet{Name: "foal", StartMin: proto.Int32(20)}, adopted(id), adopted(id), &pb.CaseAdopted{Case: id}, &pb.IggTested{Case: id, Kind: "barn"},
	}
	return facts[rapid.IntRange(0, len(facts)-1).Draw(d.t, "fact")]
}

// encodedAll folds every entity that the records touch.
func encodedAll(t require.TestingT, records []*event.Record) map[event.Key][]byte {
	out := map[event.Key][]byte{}
	for _, key := range ledgertest.Keys(records) {
		if s := ledgertest.Fold(key, records); s != nil {
			b, err := ledger.Encode(s)
			require.NoError(t, err)
			out[key] = b
		}
	}
	return out
}

// The law: any order of arrival, with any record any number of times, gives the
// same bytes as a set, a sort and a fold. Corrections, grants and revocations
// that come late are among the orders; forks are among the records.
//
// Mutants: fold by arrival, apply twice, drop the hash tie-break.
func TestLawAnyOrder(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		records := drawWorld(t, rt)
		sorted := slices.SortedFunc(slices.Values(records), event.CompareWritten)
		want := encodedAll(rt, sorted)

		arrived := rapid.Permutation(records).Draw(rt, "arrival")
		again := rapid.SliceOfN(rapid.SampledFrom(records), 0, 8).Draw(rt, "again")
		got := encodedAll(rt, append(arrived, again...))
		require.Equal(rt, want, got)
		require.Equal(rt, ledger.Digest(maps.All(want)), ledger.Digest(maps.All(got)))
	})
}

// The law, record by record: what a replica holds after each arrival is what it
// would hold had it had those records from the start. Folding does not change
// what it is given.
func TestLawSplit(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		records := drawWorld(t, rt)
		n := rapid.IntRange(0, len(records)).Draw(rt, "split")
		first, rest := records[:n], records[n:]
		encodedAll(rt, first)
		require.Equal(rt, encodedAll(rt, records), encodedAll(rt, append(slices.Clone(rest), first...)))
	})
}

// The law that lets a store forget: what was left out of a log stays without
// effect, whatever comes later and in whatever order. A record comes back only as
// a store brings it: when it arrives, when its log forks, and when a word about
// its place does not fit. A word that did not fit once, and does by now, is
// without effect too: the state is the same for whom it always fitted.
func TestLawPrune(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		records := drawLog(t, rt)
		arrival := rapid.Permutation(records).Draw(rt, "arrival")
		steps := rapid.IntRange(1, len(arrival)).Draw(rt, "step")
		for _, key := range ledgertest.Keys(records) {
			if !ledger.Prunes(key.Kind) {
				continue
			}
			came, kept, odd := 0, map[event.Hash]bool{}, map[ledgertest.Oddity]bool{}
			before := map[event.Hash]ledger.Input{}
			for part := range slices.Chunk(arrival, steps) {
				came += len(part)
				all, ever := ledgertest.Inputs(key, arrival[:came]), maps.Clone(odd)
				maps.Copy(ever, ledgertest.Odd(key, arrival[:came]))
				stored := ledgertest.InputsWith(key, arrival[:came], ever)
				rights := slices.ContainsFunc(part, (*event.Record).Rights)
				news := map[event.Hash]bool{}
				for o := range ever {
					news[o.Record] = news[o.Record] || !odd[o]
				}
				var some []ledger.Input
				for _, in := range stored {
					old, was := before[in.Rec.Hash]
					if h := in.Rec.Hash; rights || kept[h] || !was || old.Forked != in.Forked || news[h] {
						some = append(some, in)
					}
				}
				some = ledger.Prune(key, some)
				require.Equal(rt, hashesOf(ledger.Prune(key, all)), hashesOf(some))
				clear(kept)
				for _, in := range some {
					kept[in.Rec.Hash] = true
				}
				odd = ever
				for _, in := range stored {
					before[in.Rec.Hash] = in
				}
			}
		}
	})
}

func hashesOf(inputs []ledger.Input) (out []event.Hash) {
	for _, in := range inputs {
		out = append(out, in.Rec.Hash)
	}
	return out
}

// A log of a practice's life: many statements in several epochs, clocks that go
// wrong, forks, and laptops that were told other stories.
func drawLog(tb testing.TB, t *rapid.T) []*event.Record {
	w := ledgertest.New(tb)
	hub, car := w.Device("hub"), w.Device("car")
	d := &drawn{World: w, t: t, devices: []*ledgertest.Device{hub, car}}
	w.Found(hub)
	w.Admit(hub, car)
	var number uint64
	for range rapid.IntRange(1, 60).Draw(t, "acts") {
		switch rapid.IntRange(0, 7).Draw(t, "act") {
		case 0:
			car.Offset = time.Duration(rapid.IntRange(-90, 90).Draw(t, "clock")) * time.Minute
		case 1:
			car.See(d.record())
		case 2:
			d.fork(rapid.SampledFrom(d.devices).Draw(t, "forked"))
		case 3:
			hub.See(d.record())
		case 4:
			car.Write(d.fact())
		default:
			number++
			tip := rapid.SampledFrom(w.Records()).Draw(t, "stated")
			hub.Write(&pb.HubStatement{
				HubEpoch: []byte(d.one("e1", "e2", "e3")), Number: number, WallUs: w.Now().UnixMicro(),
				Accepted: []*pb.AcceptedTip{{Tip: ledgertest.TipOf(tip), NewestWallUs: tip.Head.WallUs}},
			})
		}
	}
	return w.Records()
}

// A state survives its encoding.
func TestLawRoundTrip(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		records := drawWorld(t, rt)
		for _, key := range ledgertest.Keys(records) {
			s := ledgertest.Fold(key, records)
			if s == nil {
				continue
			}
			b, err := ledger.Encode(s)
			require.NoError(rt, err)
			back, err := ledger.Decode(key.Kind, b)
			require.NoError(rt, err)
			require.Equal(rt, s, back)
			require.Equal(rt, key, back.Key())
		}
	})
}

// Standing is the same after the rights were stored and read again.
func TestLawStoredRights(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		records := drawWorld(t, rt)
		r := ledgertest.Rights(records)
		b, err := ledger.Encode(r)
		require.NoError(rt, err)
		back, err := ledger.Decode(event.KindRights, b)
		require.NoError(rt, err)
		for _, rec := range records {
			require.Equal(rt, r.Standing(rec), back.(*ledger.Rights).Standing(rec))
		}
	})
}

// The law of what was saved again: a replica that has only the records that carry
// folds what one has that holds the originals, or both.
func TestLawSavedAgain(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		w := ledgertest.New(t)
		d := &drawn{World: w, t: rt, devices: []*ledgertest.Device{w.Device("hub"), w.Device("car")}}
		hub, car := d.devices[0], d.devices[1]
		for range rapid.IntRange(1, 25).Draw(rt, "acts") {
			switch x := d.device(); rapid.IntRange(0, 5).Draw(rt, "act") {
			case 0:
				d.Pass(time.Duration(rapid.IntRange(0, 300).Draw(rt, "minutes")) * time.Minute)
				x.Offset = time.Duration(rapid.IntRange(-90, 90).Draw(rt, "clock")) * time.Minute
			case 1:
				x.See(d.record())
			case 2:
				x.Hear(hub.Write(held()))
			case 3:
				d.correct(x)
			default:
				x.Write(d.fact(), d.when())
			}
		}
		log, hole := car.Log(), rapid.Uint64Range(1, 4).Draw(rt, "hole")
		car.NewEpoch("records were lost")
		var both, carried []*event.Record
		for _, r := range d.Records() {
			both = append(both, r)
			if r.Log != log || r.Seq() < hole {
				carried = append(carried, r)
				continue
			}
			if r.Seq() > hole {
				by := car.Write(event.Carry(r))
				both, carried = append(both, by), append(carried, by)
			}
		}
		both = slices.DeleteFunc(both, func(r *event.Record) bool { return r.Log == log && r.Seq() == hole })
		sameStates(rt, encodedAll(rt, both), encodedAll(rt, carried))
		originals := slices.DeleteFunc(slices.Clone(both), func(r *event.Record) bool { return r.Original() != r })
		sameStates(rt, encodedAll(rt, originals), encodedAll(rt, carried), event.LogKey(car.Log()))
	})
}

// sameStates compares what two sets of records fold to, but for one entity.
func sameStates(t require.TestingT, a, b map[event.Key][]byte, but ...event.Key) {
	for _, k := range but {
		delete(a, k)
		delete(b, k)
	}
	require.Equal(t, len(a), len(b))
	for k := range a {
		require.Equal(t, a[k], b[k], k.String())
	}
}

func lost(log event.LogID) *pb.RecordsLost { return &pb.RecordsLost{Log: log[:], From: 3, To: 4} }
