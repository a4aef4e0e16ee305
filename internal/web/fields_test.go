package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is stored is used. A field that nothing reads is a lie to whoever typed it, so
// every typed field of these messages stands in a table with two values and the place
// that reads it: two nights that differ in that field alone must be answered there in
// two ways. Stories and lists of records print whatever a record holds and prove
// nothing: no reader here is one.

// storedField is one field of a stored message, with two values as they are typed.
type storedField struct {
	message proto.Message
	name    protoreflect.Name
	a, b    string
	read    reader
}

// reader is one place that reads: a page, an entry's answer or a command's.
type reader func(d *laptop, n oneNight) string

// oneNight is what a reader finds.
type oneNight struct{ id, bag, examined string }

var (
	label    = &pb.ProductCard{}
	protocol = &pb.ProtocolSet{}
	donor    = &pb.DonorRecorded{}
	look     = &pb.PatientExamined{}
)

// storedFields are the fields with their readers.
var storedFields = []storedField{
	{label, "name", "Foal plasma", "Mare plasma", pageAt("/clinic/stock")},
	{label, "maker", "Wattle Biologics", "Banksia Biologics", step("bath")},
	{label, "support_telephone", "1800 000 000", "1800 000 001", step("bath")},
	{label, "registration_number", "L 12", "L 13", step("bath")},
	{label, "species", "horse", "cattle", answers(start)},
	{label, "route", "vein", "mouth", answers(start)},
	{label, "least_age_h", "0", "24", answers(start)},
	{label, "volume_ml", "950", "1000", answers(delivery)},
	{label, "least_igg_cg_per_l", "18", "12", doseOfLabel},
	{label, "additives", "citrate", "heparin", step("bath")},
	{label, "donor_statement", "tested", "not told", step("bath")},
	{label, "storage", "cold", "colder", step("bath")},
	{label, "storage_max_dc", "-18", "-10", answers(reading)},
	{label, "thaw", "slowly", "not in hot water", step("bath")},
	{label, "thaw_max_dc", "37", "35", answers(bath)},
	{label, "dose", "one bag", "two bags", step("bath")},
	{label, "rate", "slowly", "slowly at first", step("bath")},
	{label, "rate_max_ml_per_kg_per_h", "20", "10", step("rate?plateau=20&drops=15")},
	{label, "reactions", "hives", "fever", step("bath")},
	{label, "contraindications", "none known", "heart failure", step("bath")},
	{label, "withdrawal_days", "0", "28", after("sheet")},
	{label, "use_within_thaw_min", "60", "120", ofBag},
	{label, "checked_by", "J. Reed", "K. Mora", step("bath")},

	{protocol, "name", "newborn foal", "any patient", step("dose")},
	{protocol, "target_igg_cg_per_l", "8", "10", step("dose")},
	{protocol, "start_ul_per_kg", "0.5", "0.3", step("rate?plateau=10&drops=15")},
	{protocol, "start_min", "20", "40", step("rate?plateau=10&drops=15")},
	{protocol, "ceiling_ml_per_kg_per_h", "20", "15", step("rate?plateau=20&drops=15")},
	{protocol, "heart_rate_rise", "20", "10", vitals},
	{protocol, "breathing_rate_rise", "15", "8", vitals},
	{protocol, "temperature_rise_dc", "1", "0.5", vitals},
	{protocol, "reaction_card", "Clamp.", "Clamp. Call.", step("start")},
	{protocol, "checked_by", "J. Reed", "K. Mora", step("start")},
	{protocol, "ceiling_ml_per_kg_24h", "40", "10", step("dose")},

	{donor, "name", "Bess", "Dot", ofBag},
	{donor, "chip", "985000000000007", "985000000000008", ofBag},
	{donor, "blood_type", "Aa negative", "Aa positive", ofBag},
	{donor, "antibody_screen", "all clear", "clear", ofBag},
	{donor, "infection_tests", "all clear", "clear", ofBag},
	{donor, "collected_on", "2026-09-02", "2026-11-02", answers(oldDelivery)},
	{donor, "anticoagulant", "citrate", "ACD", ofBag},
	{donor, "igg_cg_per_l", "20", "14", step("dose")},
	{donor, "antibody_result", "negative", "positive", answers(start)},
	{donor, "antibody_on", "2026-10-01", "2024-10-01", answers(start)},
	{donor, "infection_result", "negative", "positive", answers(start)},
	{donor, "infection_on", "2026-10-01", "2024-10-01", answers(start)},

	{look, "temperature_dc", "38.2", "36.2", step("referral")},
	{look, "heart_rate", "96", "190", examined},
	{look, "breathing_rate", "34", "90", examined},
	{look, "glucose_umol_per_l", "6", "3", step("referral")},
	{look, "signs", "weak", "colic", step("referral")},
	{look, "text", "calm", "restless", step("sheet")},
	{look, "total_protein_dg_per_l", "50", "40", step("sheet")},
	{look, "pcv_pm", "35", "12", step("referral")},
	{look, "lactate_umol_per_l", "2", "9", step("referral")},
}

// pageAt reads a page of the site.
func pageAt(path string) reader {
	return func(d *laptop, _ oneNight) string { return plainText(d.get(path)) }
}

// step reads a page of the case.
func step(slug string) reader {
	return func(d *laptop, n oneNight) string {
		join := "?"
		if strings.Contains(slug, "?") {
			join = "&"
		}
		_, body := d.ask("/case/" + n.id + "/" + slug + join + "place=" + url.QueryEscape(d.place))
		return plainText(body)
	}
}

// doseOfLabel reads the dose page of a bag whose own IgG nobody measured.
func doseOfLabel(d *laptop, n oneNight) string {
	d.told(&pb.BagsReceived{Product: d.product(), Batch: "H-9", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"})
	d.told(&pb.BagDiscarded{Bag: n.bag, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	return step("dose")(d, n)
}

// after gives the bag and reads a page of the case.
func after(slug string) reader {
	return func(d *laptop, n oneNight) string {
		d.told(start(n))
		d.clock.Advance(time.Hour)
		d.told(&pb.TransfusionEnded{Bag: n.bag, Case: n.id, GivenMl: 940})
		return step(slug)(d, n)
	}
}

// answers writes an entry and reads its cautions, or the refusal.
func answers(entry func(oneNight) proto.Message) reader {
	return func(d *laptop, n oneNight) string { return d.told(entry(n)) }
}

func start(n oneNight) proto.Message { return &pb.TransfusionStarted{Bag: n.bag, Case: n.id} }
func bath(n oneNight) proto.Message {
	return &pb.ThawStarted{Bag: n.bag, Case: n.id, BathDc: new(int32(365))}
}
func reading(oneNight) proto.Message {
	return &pb.TemperatureRead{Place: "north car", NowDc: -155}
}
func delivery(oneNight) proto.Message {
	return &pb.BagsReceived{Product: "Foal plasma", Batch: "H-9", Expiry: "2028-02", VolumeMl: 950, Count: 1, Place: "north car", Donor: "Bess"}
}

// oldDelivery expires between two days on which its donor may have given.
func oldDelivery(oneNight) proto.Message {
	return &pb.BagsReceived{Product: "Foal plasma", Batch: "H-9", Expiry: "2026-10", VolumeMl: 950, Count: 1, Place: "north car", Donor: "Bess"}
}

// examined reads what the examination itself was answered.
func examined(_ *laptop, n oneNight) string { return n.examined }

// vitals reads the alarm on a change that lies between two limits.
func vitals(d *laptop, n oneNight) string {
	d.told(start(n))
	d.clock.Advance(5 * time.Minute)
	return d.told(&pb.VitalsNoted{Case: n.id, TemperatureDc: new(int32(388)), HeartRate: new(int32(108)), BreathingRate: new(int32(44))})
}

// ofBag reads what the command about the bag prints of it, without its story.
func ofBag(d *laptop, n oneNight) string {
	d.told(&pb.BagThawed{Bag: n.bag})
	out, err := d.site.Stock.GetBag(d.t.Context(), &pb.GetBagRequest{Bag: n.bag})
	require.NoError(d.t, err)
	return fmt.Sprint(out.Bag.UseBy, out.Bag.Because, out.Donor)
}

// told writes an entry and tells its cautions, or why it was refused.
func (d *laptop) told(m proto.Message) string {
	d.t.Helper()
	for _, s := range event.All() {
		if s.Message() != m.ProtoReflect().Descriptor() {
			continue
		}
		e, err := event.Wrap(s.Type, m)
		require.NoError(d.t, err)
		out, err := d.site.Records.Write(d.t.Context(), &pb.WriteRequest{Entry: e, Author: d.author()})
		if refused, ok := refusal.As(err); ok {
			return "refused: " + refused.Error()
		}
		require.NoError(d.t, err)
		var texts []string
		for _, c := range out.Cautions {
			texts = append(texts, c.Code+": "+c.Text)
		}
		return strings.Join(texts, "\n")
	}
	d.t.Fatalf("no event for %T", m)
	return ""
}

// product is the name of the product of the night.
func (d *laptop) product() string {
	out, err := d.site.Stock.ListProducts(d.t.Context(), &pb.ListProductsRequest{})
	require.NoError(d.t, err)
	return out.Products[0].Name
}

// altered is a message of the night with one field typed another way.
func altered(t *testing.T, base proto.Message, f storedField, text string) proto.Message {
	t.Helper()
	m := proto.Clone(base)
	if base.ProtoReflect().Descriptor() != f.message.ProtoReflect().Descriptor() {
		return m
	}
	desc := m.ProtoReflect().Descriptor().Fields().ByName(f.name)
	require.NotNil(t, desc, f.name)
	rule := event.RuleOf(desc)
	to := input.Field{Desc: desc, Rule: rule, Name: string(f.name), Scale: max(rule.Scale, 1)}
	require.NoError(t, to.Put(m.ProtoReflect(), []string{text}))
	return m
}

// tell builds the night with one field as typed and hands it to the reader.
func (f storedField) tell(t *testing.T, text string) string {
	d := newLaptop(t)
	with := func(m proto.Message) proto.Message { return altered(t, m, f, text) }
	d.write(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	d.place = d.write(&pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}).Made[0]
	d.write(with(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, LeastIggCgPerL: new(int32(1800)), StorageMaxDc: new(int32(-180))}))
	d.write(with(&pb.ProtocolSet{Name: "newborn foal", TargetIggCgPerL: new(int32(1000)), ReactionCard: "Clamp.", CheckedBy: "J. Reed"}))
	d.write(&pb.ProtocolSet{Name: "donkey", TargetIggCgPerL: new(int32(700))})
	d.write(with(&pb.DonorRecorded{
		Name: "Bess", CollectedOn: "2026-10-02", AntibodyResult: pb.ScreenResult_SCREEN_RESULT_NEGATIVE, AntibodyOn: "2026-10-01",
		InfectionResult: pb.ScreenResult_SCREEN_RESULT_NEGATIVE, InfectionOn: "2026-10-01",
	}))
	if f.name == "collected_on" {
		return f.read(d, oneNight{})
	}
	donors, err := d.donors()
	require.NoError(t, err)
	bag := d.write(&pb.BagsReceived{Product: d.product(), Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car", Donor: donors[0]}).Made[0]
	id := d.write(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Slate", ClockChecked: true, BornAt: &pb.Moment{UnixMs: night.Add(-14 * time.Hour).UnixMilli(), Zone: "UTC"},
	}).Made[0]
	found := d.told(with(&pb.PatientExamined{Case: id, Signs: []string{"weak"}}))
	d.write(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.write(&pb.IggTested{Case: id, Kind: "barn immunoassay", IggCgPerL: new(int32(350))})
	d.told(&pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: 400, Bags: []string{bag}})
	d.write(&pb.VitalsNoted{Case: id, Baseline: true, TemperatureDc: new(int32(380)), HeartRate: new(int32(96)), BreathingRate: new(int32(34))})
	d.write(&pb.HangChecked{Case: id, Bag: bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true})
	return f.read(d, oneNight{id, bag, found})
}

// donors are the ids of the donors.
func (d *laptop) donors() (ids []string, err error) {
	err = query.Reader{Replica: d.replica}.View(d.t.Context(), func(b *query.ReadView) error {
		ids, err = b.StartingWith(event.KindDonor, "", 5)
		return err
	})
	return ids, err
}

// TestEveryStoredFieldIsRead walks label, protocol, donor and examination by their
// descriptors: each typed field has a row, and its reader tells two values apart.
func TestEveryStoredFieldIsRead(t *testing.T) {
	rows := map[protoreflect.FullName]bool{}
	for _, f := range storedFields {
		rows[f.message.ProtoReflect().Descriptor().FullName().Append(f.name)] = true
	}
	for _, m := range []proto.Message{label, protocol, donor, look} {
		fields := m.ProtoReflect().Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			if rule := event.RuleOf(f); !rule.Filled && !rule.Generate && f.Name() != "case" {
				assert.True(t, rows[f.FullName()], "%s is stored, and no row says what reads it", f.FullName())
			}
			delete(rows, f.FullName())
		}
	}
	assert.Empty(t, rows, "rows of storedFields that are not there")
	for _, f := range storedFields {
		t.Run(string(f.message.ProtoReflect().Descriptor().Name())+"."+string(f.name), func(t *testing.T) {
			assert.False(t, f.tell(t, f.a) == f.tell(t, f.b), "%s or %s: nothing says otherwise", f.a, f.b)
		})
	}
}

// TestReadersAreQuiet: two nights that differ in nothing are answered in one way, so
// that a difference is the field's.
func TestReadersAreQuiet(t *testing.T) {
	var seen []string
	for _, f := range storedFields {
		kind := fmt.Sprintf("%p", f.read)
		if slices.Contains(seen, kind) {
			continue
		}
		seen = append(seen, kind)
		require.Equal(t, f.tell(t, f.a), f.tell(t, f.a), "%s", f.name)
	}
}

// levelsPage is how many bags to hold, with so many mares due that each setting counts.
func levelsPage(d *laptop, _ oneNight) string {
	for n := range 30 {
		d.write(&pb.MareDue{Name: fmt.Sprintf("Mare %d", n), DueOn: night.AddDate(0, 0, 3*n).Format(time.DateOnly)})
	}
	out, err := d.site.Stock.ListLevels(d.t.Context(), &pb.ListLevelsRequest{})
	require.NoError(d.t, err)
	said := []string{fmt.Sprint(out.Hold), fmt.Sprint(out.ExpectedWriteOff), fmt.Sprint(out.Failure.Mid)}
	for _, l := range out.Levels {
		said = append(said, fmt.Sprint(l.Bags, l.ExpectedShortage, l.ExpectedWriteOff))
	}
	for _, p := range out.Places {
		said = append(said, fmt.Sprint(p.Place, p.Hold, p.ExpectedShortage))
	}
	return strings.Join(said, "\n")
}

// nextFoal treats the foal to the end, measures it again, and reads a page of the next
// one, whose bag is in the bath: what was learned from the first moves it.
func nextFoal(slug string) reader {
	return func(d *laptop, n oneNight) string {
		d.write(&pb.RoleGranted{Person: "M. Alder", Roles: []pb.Role{pb.Role_ROLE_VET}})
		d.told(bath(n))
		d.clock.Advance(55 * time.Minute)
		d.told(&pb.BagThawed{Bag: n.bag})
		d.told(start(n))
		d.clock.Advance(time.Hour)
		d.told(&pb.TransfusionEnded{Bag: n.bag, Case: n.id, GivenMl: 940})
		d.clock.Advance(20 * time.Hour)
		all := event.All()
		again := slices.IndexFunc(all, func(s *event.Spec) bool { return s.Name == "igg_rechecked" })
		e, err := event.Wrap(all[again].Type, &pb.IggTested{Case: n.id, Kind: "radial immunodiffusion", IggCgPerL: new(int32(550))})
		require.NoError(d.t, err)
		_, err = d.site.Records.Write(d.t.Context(), &pb.WriteRequest{Entry: e, Author: d.author()})
		require.NoError(d.t, err)
		next := oneNight{bag: d.write(&pb.BagsReceived{Product: d.product(), Batch: "H-2208", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car", IggCgPerL: new(int32(2000))}).Made[0]}
		next.id = d.write(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Fern", ClockChecked: true, BornAt: &pb.Moment{UnixMs: d.clock.Now().Add(-14 * time.Hour).UnixMilli(), Zone: "UTC"}}).Made[0]
		d.write(&pb.PatientWeighed{Case: next.id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
		d.write(&pb.IggTested{Case: next.id, Kind: "radial immunodiffusion", IggCgPerL: new(int32(300))})
		if slug == "thaw" {
			d.told(bath(next))
		}
		return step(slug)(d, next)
	}
}

// TestEverySettingIsRead: the list is fixed, each value is checked, and each setting
// changes what its reader tells. Anything else is refused.
func TestEverySettingIsRead(t *testing.T) {
	readers := map[string]reader{
		query.SettingRecheckHours: func(d *laptop, n oneNight) string {
			d.write(&pb.RecheckPlanned{Case: n.id, Person: "M. Alder"})
			return step("recheck")(d, n)
		},
		query.SettingWatchWeeks:   after("advice"),
		query.SettingScreenDays:   answers(start),
		query.SettingTelephone:    after("advice"),
		query.SettingPlasmaUnder:  levelsPage,
		query.SettingLeadWeeks:    levelsPage,
		query.SettingShelfWeeks:   levelsPage,
		query.SettingShortageBags: levelsPage,
		query.SettingRefillDays:   levelsPage,
		query.SettingOwnShare:     nextFoal("dose"),
		query.SettingOwnThaws:     nextFoal("thaw"),
		query.SettingWeight:       step("dose"),
		query.SettingTemperature:  after("sheet"),
		query.SettingClock:        after("sheet"),
		query.SettingKeepYears: func(d *laptop, n oneNight) string {
			out, err := query.Reader{Replica: d.replica}.ListClients(d.t.Context(), &pb.ListClientsRequest{})
			require.NoError(d.t, err)
			return out.Text
		},
	}
	require.Len(t, readers, len(query.Settings()))
	for _, s := range query.Settings() {
		said := map[string]bool{}
		for _, value := range []string{s.Typed(s.Least), s.Typed(s.Most)} {
			f := storedField{message: donor, name: "antibody_on", read: func(d *laptop, n oneNight) string {
				d.write(&pb.SettingsChanged{Name: s.Name, Value: value})
				return readers[s.Name](d, n)
			}}
			said[f.tell(t, "2026-08-01")] = true
		}
		require.Len(t, said, 2, s.Name)
	}
	d := newLaptop(t)
	d.begin()
	for _, c := range []struct{ name, value, field string }{
		{"recheck_hours", "11", "value"}, {"recheck_hours", "73", "value"}, {"recheck_hours", "a day", "value"}, {"recheck_hours", "24.5", "value"},
		{"watch_weeks", "12", "value"}, {"weight_beside_kg", "stone", "value"}, {"temperature_beside_c", "1", "value"}, {"clock_beside_24h", "12", "value"}, {"currency", "NZD", "name"}, {"Recheck_Hours", "24", "name"},
	} {
		require.True(t, strings.HasPrefix(d.told(&pb.SettingsChanged{Name: c.name, Value: c.value}), "refused: "+c.field+":"), "%v", c)
	}
}
