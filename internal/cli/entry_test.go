package cli

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

func TestEveryEntryHasACommandWhoseExampleParses(t *testing.T) {
	d, _, _ := testDesk(t)
	words := map[string]string{}
	for _, s := range event.All() {
		rule := s.Rule
		if rule.GetInternal() {
			require.Empty(t, rule.GetCommand(), s.Name)
			continue
		}
		require.NotEmpty(t, rule.GetCommand(), s.Name)
		for _, w := range append([]string{rule.Command}, rule.Aliases...) {
			require.Empty(t, words[w], "%s and %s have the same words", words[w], s.Name)
			words[w] = s.Name
		}
		require.True(t, strings.HasPrefix(rule.Example, rule.Command), s.Name)
		line, err := splitLine("example", rule.Example)
		require.NoError(t, err, s.Name)
		req, err := d.parseEntry(line)
		require.NoError(t, err, rule.Example)
		typ, payload, err := event.Unwrap(req.Entry)
		require.NoError(t, err)
		require.Equal(t, s.Type, typ)
		require.NotEmpty(t, req.RequestId)
		requireRequired(t, payload)
	}
	for _, m := range append(methods(planService), queryMethods()...) {
		w := commandRule(m).Use
		require.Empty(t, words[w], "%s and %s have the same words", words[w], m.FullName())
		words[w] = string(m.FullName())
	}
}

func queryMethods() []protoreflect.MethodDescriptor {
	var out []protoreflect.MethodDescriptor
	for _, s := range queryServices {
		out = append(out, methods(protoName(s))...)
	}
	return out
}

// requireRequired checks that the example fills every field that must be given.
func requireRequired(t *testing.T, payload proto.Message) {
	t.Helper()
	m := payload.ProtoReflect()
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		rule := event.RuleOf(f)
		if rule.Required && !rule.Generate && !rule.Filled {
			require.True(t, m.Has(f), "%s", f.FullName())
		}
	}
}

// parse reads one typed entry and gives its payload.
func parse(t *testing.T, text string) (*pb.WriteRequest, error) {
	t.Helper()
	d, _, _ := testDesk(t)
	words, err := splitLine("text", text)
	require.NoError(t, err)
	return d.parseEntry(words)
}

func TestEntriesBecomeExactFields(t *testing.T) {
	for text, want := range map[string]proto.Message{
		"weigh 5Q 52,5 --how scale":                                 &pb.PatientWeighed{Case: "5Q", WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE},
		"weigh 5Q 52.125kg --how tape --girth-cm 84,5":              &pb.PatientWeighed{Case: "5Q", WeightG: 52_125, Method: pb.WeightMethod_WEIGHT_METHOD_TAPE, GirthMm: new(int32(845))},
		"igg 5Q --kind snap --igg-mg-per-dl 350":                    &pb.IggTested{Case: "5Q", Kind: "snap", IggCgPerL: new(int32(350))},
		"igg 5Q --kind snap --igg-g-per-l 3,5":                      &pb.IggTested{Case: "5Q", Kind: "snap", IggCgPerL: new(int32(350))},
		"igg 5Q --kind snap --side below --cut-g-per-l 8":           &pb.IggTested{Case: "5Q", Kind: "snap", Side: pb.CutSide_CUT_SIDE_BELOW, CutCgPerL: new(int32(800))},
		"move 7K2M,9QX4 '3abc' --to 'north car'":                    &pb.BagsMoved{Bags: []string{"7K2M", "9QX4", "3abc"}, ToPlace: "north car"},
		"place temp car --now-c -19.5":                              &pb.TemperatureRead{Place: "car", NowDc: -195},
		"kit count car filtered-set 0":                              &pb.KitCounted{Place: "car", Item: pb.KitItem_KIT_ITEM_FILTERED_SET},
		"close 5Q lost":                                             &pb.CaseClosed{Case: "5Q", Outcome: pb.Outcome_OUTCOME_LOST_TO_FOLLOW_UP},
		"risk 5Q no yes unknown No":                                 &pb.RiskAsked{Case: "5Q", JaundicedFoalBefore: pb.Answer_ANSWER_NO, PositiveScreen: pb.Answer_ANSWER_YES, DonkeySire: pb.Answer_ANSWER_UNKNOWN, YellowOrRedUrine: pb.Answer_ANSWER_NO},
		"client add --name 'P. Hollis'":                             &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}},
		"role grant Reed --roles vet,owner":                         &pb.RoleGranted{Person: "Reed", Roles: []pb.Role{pb.Role_ROLE_VET, pb.Role_ROLE_OWNER}},
		"rights revoke --device 9f21 --reason stolen":               &pb.RightsRevoked{Device: []byte{0x9f, 0x21}, Reason: "stolen"},
		"check bath 5Q 7K2M --all --no-hold=no":                     &pb.BathChecked{Case: "5Q", Bag: "7K2M", LabelRead: true, BatchAndExpiryMatch: true, BagWhole: true, IggKnownOrWaived: true, AgreementGiven: true},
		"check bath 5Q 7K2M --igg":                                  &pb.BathChecked{Case: "5Q", Bag: "7K2M", IggKnownOrWaived: true},
		"agree 5Q --amount 980,50 --client Hollis --how 'by phone'": &pb.EstimateAgreed{Case: "5Q", AmountMinor: new(int64(98_050)), By: "Hollis", How: "by phone"},
		"receive --product P --batch 'h 22-07' --expiry 'Apr 2028' --volume-ml 950 --count 6 --place F": &pb.BagsReceived{Product: "P", Batch: "h 22-07", Expiry: "2028-04", VolumeMl: 950, Count: 6, Place: "F"},
		"found --bag 7K2M --product P --batch B --expiry 2028-04-03 --volume-ml 950 --place F":          &pb.BagFound{Bag: "7K2M", Product: "P", Batch: "B", Expiry: "2028-04-03", VolumeMl: 950, Place: "F"},
	} {
		req, err := parse(t, text)
		require.NoError(t, err, text)
		_, got, err := event.Unwrap(req.Entry)
		require.NoError(t, err)
		require.True(t, proto.Equal(want, got), "%s\n want %v\n got  %v", text, want, got)
	}
}

func TestCommonFlagsOfEntries(t *testing.T) {
	req, err := parse(t, "referral 5Q declined --client 'P. Hollis' --by Reed --when -20m --override igg_unknown_taken_as_zero='mare kicks' --override may_not_rise=seen --request-id r-1")
	require.NoError(t, err)
	require.Equal(t, "Reed", req.Author)
	require.Equal(t, "r-1", req.RequestId)
	require.Equal(t, "P. Hollis", req.Entry.GetReferralOffered().By)
	require.Len(t, req.Overrides, 2)
	require.Equal(t, "mare kicks", req.Overrides[0].Reason)
	d, _, _ := testDesk(t)
	require.Equal(t, d.now().UnixMilli()-20*60*1000, req.OccurredAt.UnixMs)
	require.Equal(t, "Europe/Dublin", req.OccurredAt.Zone)
	require.Equal(t, pb.Precision_PRECISION_MINUTE, req.OccurredAt.Precision)
	require.Equal(t, pb.TimeSource_TIME_SOURCE_TYPED, req.OccurredAt.Source)
}

// From when a price holds may be a day: it begins at midnight on the practice's clocks, in
// summer and winter; an evening laptop elsewhere makes no other day of it.
func TestAPriceHoldsFromADay(t *testing.T) {
	for day, want := range map[string]string{
		"2027-01-01": "2027-01-01T00:00:00Z", "2027-07-01": "2027-06-30T23:00:00Z", // Irish Standard Time is an hour ahead (tz database)
	} {
		req, err := parse(t, "price set visit 160 --from "+day)
		require.NoError(t, err)
		at := req.Entry.GetPriceSet().HoldsFrom
		require.Equal(t, want, time.UnixMilli(at.UnixMs).UTC().Format(time.RFC3339))
		require.Equal(t, "Europe/Dublin", at.Zone)
	}
	_, err := parse(t, "price set visit 160 --from 2027-02-30")
	require.ErrorContains(t, err, "2027-02-30")
	_, err = parse(t, "referral 5Q declined --when 2027-01-01")
	require.Error(t, err, "when something happened needs its time")
}

func TestCorrectTakesAnotherEntry(t *testing.T) {
	req, err := parse(t, `correct 3f9a --reason 'typed mg/dL' --with "igg 5Q --kind 'barn immunoassay' --igg-g-per-l 3.5 --when 01:10"`)
	require.NoError(t, err)
	require.Equal(t, "3f9a", req.Entry.GetCorrected().Original)
	require.EqualValues(t, 350, req.Replacement.GetIggTested().GetIggCgPerL())
	require.NotNil(t, req.Entry.GetCorrected().OccurredAt)
	for _, text := range []string{
		"correct 3f9a --reason x",
		"correct 3f9a --reason x --void --with 'close 5Q well'",
		"correct 3f9a --reason x --with 'now'",
		"correct 3f9a --reason x --with 'correct 5b --void --reason y'",
		"correct 3f9a --reason x --with \"igg 5Q --kind 'open\"",
		"correct 3f9a --reason x --with 'close 5Q --nonsense'",
	} {
		_, err := parse(t, text)
		require.Error(t, err, text)
		require.Equal(t, exitRefused, exitOf(t, err), text)
	}
}

// exitOf is the exit code that an error ends the program with.
func exitOf(t *testing.T, err error) int {
	t.Helper()
	d, _, _ := testDesk(t)
	return d.report(err)
}

func TestTimesAsPeopleTypeThem(t *testing.T) {
	d, _, _ := testDesk(t) // 2026-11-24 03:00 in Dublin
	for _, c := range []struct{ field, text, want string }{
		{"born", "-10h", "2026-11-23T17:00:00Z"},
		{"when", "02:10", "2026-11-24T02:10:00Z"},
		{"when", "16:10", "2026-11-23T16:10:00Z"},
		{"born", "40 h ago", "2026-11-22T11:00:00Z"},
		{"due", "04:10", "2026-11-24T04:10:00Z"},
		{"due", "02:10", "2026-11-25T02:10:00Z"},
		{"next_vitals", "+90m", "2026-11-24T04:30:00Z"},
		{"due", "+24h", "2026-11-25T03:00:00Z"},
		{"when", "2026-07-01 02:10", "2026-07-01T01:10:00Z"},
		{"when", "2026-07-01T02:10:00+02:00", "2026-07-01T00:10:00Z"},
	} {
		m, err := d.clock().Moment(c.field, c.text)
		require.NoError(t, err, c.text)
		require.Equal(t, c.want, timeOf(m), "%s %s", c.field, c.text)
	}
	for _, text := range []string{"", "25:00", "04:10", "+", "soon", "2026-03-29 01:30", "2026-10-25 01:30"} {
		_, err := d.clock().Moment("when", text)
		require.Equal(t, exitRefused, exitOf(t, err), text)
	}
}

func TestSplitLine(t *testing.T) {
	for text, want := range map[string][]string{
		"a b":              {"a", "b"},
		" a  'b c' ":       {"a", "b c"},
		`a "b 'c' d" e\ f`: {"a", "b 'c' d", "e f"},
		"''":               {""},
		`'a\b'`:            {`a\b`},
		"":                 nil,
	} {
		got, err := splitLine("with", text)
		require.NoError(t, err)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"'a", `"a`, `a\`} {
		_, err := splitLine("with", text)
		require.Error(t, err)
	}
}
