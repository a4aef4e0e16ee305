package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

func timeOf(m *pb.Moment) string { return unixText(m.UnixMs) }

// stockFile is the published example of a stock file.
func stockFile(t *testing.T) string {
	t.Helper()
	path, err := filepath.Abs("../../testdata/engine/pick.example.json")
	require.NoError(t, err)
	return path
}

// promised are the plan commands with the fields that others rely on.
var promised = []struct {
	line   string
	fields string
}{
	{"plan weigh --girth-cm 84 --kind foal", "weight_kg"},
	{"plan weigh --girth-cm 180 --length-cm 155 --kind adult", "weight_kg"},
	{"plan assess --age-h 14 --igg-g-per-l 3.5 --sign colic --sign weak", "igg_class provisional colostrum_window offer_referral because"},
	{"plan assess --age-h 14 --igg-band 2-4", "igg_class"},
	{"plan assess --age-h 14 --igg-unknown", "igg_class"},
	{"plan assess --signs", "known_signs"},
	{"plan test --sensitivity 0.9 --specificity 0.8 --result below --prevalence 0.2", "prob_below_cut likelihood_ratio_below likelihood_ratio_above"},
	{"plan test --kind semi_quantitative_elisa --cut-g-per-l 8", "likelihood_ratio_below likelihood_ratio_above"},
	{"plan test --kinds", "known_kinds"},
	{"plan dose --weight-kg 50 --igg-g-per-l 3.5 --target-g-per-l 8 --donor-igg-g-per-l 18 --age-h 20 --bag-ml 950 --distribution-ml-per-kg 90 --share-found 1 --given-24h-ml 0 --bags 2",
		"igg_lacking_g volume_ml volume_ml_per_kg give_now_ml ceiling_ml bags_now bags_total expected_rise_g_per_l expected_igg_g_per_l"},
	{"plan dose --weight-kg 50 --igg-mg-per-dl 350 --donor-igg-g-per-l 18", "igg_lacking_g volume_ml"},
	{"plan dose --weight-kg 50 --igg-band 4-8", "volume_ml"},
	{"plan dose --weight-kg 50 --igg-unknown", "volume_ml"},
	{"plan dose --weight-kg 50 --igg-g-per-l 2 --age-h 20 --bag 950@18 --bag 900@12.5 --label-igg-g-per-l 12", "give_now_ml bags_now bags_total expected_igg_g_per_l"},
	{"plan dose --weight-kg 50 --indication sepsis --ml-per-kg 20 --reason shock", "give_now_ml volume_ml"},
	{"plan dose --weight-kg 50 --igg-g-per-l 2 --donor-igg-g-per-l 18 --given-24h-ml 500 --other-fluids-24h-ml 800", "give_now_ml given_24h_ml other_fluids_24h_ml"},
	{"plan response --weight-kg 50 --igg-before-g-per-l 3.5 --igg-after-g-per-l 7.4 --given-ml 1900 --donor-igg-g-per-l 18 --age-h 20 --distribution-ml-per-kg 94", "apparent_distribution_ml_per_kg share_found"},
	{"plan protein --weight-kg 500 --tp-g-per-l 40 --target-tp-g-per-l 50 --donor-tp-g-per-l 70 --plasma-volume-ml-per-kg 45 --space-factor 2", "volume_ml"},
	{"plan thaw --held-at-c 37 --bag-thickness-mm 40 --h-w-per-m2k 150", "conduction_minutes thaw_minutes"},
	{"plan thaw --bag-ml 950 --bags 1 --bag-temp-c -20 --water-l 15 --water-temp-c 37 --air-c 8 --hot-c 60 --end-at-c 33", "thaw_minutes heat_to_melt_kj water_end_c water_needed_kg"},
	{"plan drip --volume-ml 950 --weight-kg 50 --plateau-ml-per-kg-per-h 20 --drops-per-ml 15",
		"stages plateau_ml_per_kg_per_h average_ml_per_kg_per_h average_ml_per_h average_drops_per_min drops_per_min_tolerance vitals_at_min"},
	{"plan drip --volume-ml 950 --weight-kg 50 --minutes 120 --no-slow-start", "stages average_ml_per_h"},
	{"plan flow --catheter-gauge 16 --catheter-length-mm 130 --tube-mm 3 --tube-m 1.5 --head-cm 100 --venous-cmh2o 12 --plasma-temp-c 37 --density-kg-per-m3 1026 --k-loss 1.5 --volume-ml 950 --weight-kg 50",
		"flow_ml_per_min poiseuille_ml_per_min reynolds minutes ml_per_kg_per_h"},
	{"plan flow --catheter-mm 1.3 --viscosity-mpas 1.2", "flow_ml_per_min"},
	{"plan shelf --expiry 2028-03 --thawed-at 2026-11-24T02:10:00Z --set-attached-at 2026-11-24T02:20:00Z --kept-at-c 4 --at 2026-11-24T03:00:00Z --zone Europe/Dublin", "state states use_by because"},
	{"plan shelf --expiry 2028-03 --held=true --quarantined=true --refrozen-at 2026-11-24T02:10:00Z --at 2026-11-24T03:00:00Z", "state states because"},
	{"plan mkt --celsius 20,25,30 --dh-over-r-k 10000", "mean_kinetic_c"},
	{"plan pick --need-ml 1900 --stock STOCK --place car --at 2026-03-08T10:00:00Z --until 2026-03-08T13:00:00Z", "bags waste_ml runner_up"},
	{"plan interval --events 6 --trials 69 --confidence 0.95", "low high"},
	{"plan exact --a 3 --b 1 --c 1 --d 3", "p_two_sided p_greater p_less"},
	{"plan demand --foals 100 --failure-rate 0.16 --service 0.95", "foals_covered"},
}

// ranges have all three ends.
var ranges = strings.Fields("weight_kg igg_lacking_g volume_ml volume_ml_per_kg expected_rise_g_per_l expected_igg_g_per_l thaw_minutes drops_per_min_tolerance flow_ml_per_min minutes ml_per_kg_per_h")

func TestPlansPrintWhatIsPromised(t *testing.T) {
	for _, c := range promised {
		words := strings.Fields(strings.ReplaceAll(c.line, "STOCK", stockFile(t)))
		code, out, errs := runLine(t, append(words, "--json")...)
		require.Zero(t, code, "%s: %s", c.line, errs)
		var got map[string]any
		require.NoError(t, json.Unmarshal([]byte(out), &got), c.line)
		for _, field := range strings.Fields(c.fields + " cautions steps sources versions") {
			require.Contains(t, got, field, c.line)
		}
		require.NotEmpty(t, got["versions"], c.line)
		for _, name := range ranges {
			if r, ok := got[name].(map[string]any); ok && strings.Contains(c.fields, name) {
				require.Len(t, r, 3, "%s %s", c.line, name)
			}
		}
		code, out, _ = runLine(t, words...)
		require.Zero(t, code)
		requireFits(t, out)
	}
}

func TestExamplesOfPlansRun(t *testing.T) {
	for _, m := range methods(planService) {
		example := strings.ReplaceAll(commandRule(m).Example, "stock.json", stockFile(t))
		words, err := splitLine("example", example)
		require.NoError(t, err)
		code, out, errs := runLine(t, words...)
		require.Zero(t, code, "%s: %s", example, errs)
		require.NotEmpty(t, out)
	}
}

// The published spread of the distribution volume is part of the range, so an exact
// plan takes that volume too.
func TestExactInputsMakeRangesWithoutWidth(t *testing.T) {
	_, out, _ := runLine(t, strings.Fields("plan dose --weight-kg 50 --igg-g-per-l 3.5 --donor-igg-g-per-l 18 --age-h 20 --share-found 1 --distribution-ml-per-kg 94.5 --json")...)
	var got struct {
		Volume struct{ Low, Mid, High float64 } `json:"volume_ml"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	require.Equal(t, got.Volume.Mid, got.Volume.Low)
	require.Equal(t, got.Volume.Mid, got.Volume.High)
}

// TestAbsentOptionalNumbersStayAbsent holds a missing value apart from a zero.
func TestAbsentOptionalNumbersStayAbsent(t *testing.T) {
	_, out, _ := runLine(t, strings.Fields("plan drip --volume-ml 950 --weight-kg 50 --minutes 120 --json")...)
	require.NotContains(t, out, "average_drops_per_min")
	_, out, _ = runLine(t, strings.Fields("plan dose --weight-kg 50 --igg-g-per-l 3.5 --donor-igg-g-per-l 18 --json")...)
	require.NotContains(t, out, "bags_now")
}

// TestJSONOmitsNothing fills every field of every answer and looks for it.
func TestJSONOmitsNothing(t *testing.T) {
	for _, m := range append(methods(planService), queryMethods()...) {
		answer, err := newMessage(m.Output())
		require.NoError(t, err)
		fillAll(answer.ProtoReflect(), 4)
		d, out, _ := testDesk(t)
		require.NoError(t, d.answer(&flagOf{texts: []string{"true"}}, answer))
		back := answer.ProtoReflect().New().Interface()
		require.NoError(t, jsonBack.Unmarshal(out.Bytes(), back), m.Output().FullName())
		require.True(t, proto.Equal(answer, back), m.Output().FullName())
		var keys map[string]any
		require.NoError(t, json.Unmarshal(out.Bytes(), &keys))
		for i := range m.Output().Fields().Len() {
			require.Contains(t, keys, string(m.Output().Fields().Get(i).Name()))
		}
		// The text of the same answer must not fail or leave the screen either.
		d, out, _ = testDesk(t)
		require.NoError(t, d.answer(&flagOf{}, answer))
		require.NotEmpty(t, out.String(), m.Output().FullName())
		requireFits(t, out.String())
	}
}

// fillAll puts a value into every field, to a depth.
func fillAll(m protoreflect.Message, depth int) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if depth == 0 || f.ContainingOneof() != nil && !f.HasOptionalKeyword() && m.WhichOneof(f.ContainingOneof()) != nil {
			continue
		}
		if f.IsList() {
			list := m.Mutable(f).List()
			for range 2 {
				if f.Kind() == protoreflect.MessageKind {
					fillAll(list.AppendMutable().Message(), depth-1)
				} else {
					list.Append(someValue(f))
				}
			}
			continue
		}
		if f.Kind() == protoreflect.MessageKind {
			fillAll(m.Mutable(f).Message(), depth-1)
			continue
		}
		m.Set(f, someValue(f))
	}
}

func someValue(f protoreflect.FieldDescriptor) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(7)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(7)
	case protoreflect.Uint32Kind:
		return protoreflect.ValueOfUint32(7)
	case protoreflect.Uint64Kind:
		return protoreflect.ValueOfUint64(7)
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(1234.5)
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte{1, 2})
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(1)
	}
	return protoreflect.ValueOfString("a text that is rather long for one cell")
}

func TestStockFileIsReadStrictly(t *testing.T) {
	for name, text := range map[string]string{
		"unknown field of the file": `{"bags": [], "note": "x"}`,
		"unknown field of a bag":    `{"bags": [{"id": "a", "volume": 950}]}`,
		"two objects":               `{"bags": []} {"bags": []}`,
		"no JSON":                   `bags`,
		"wrong type":                `{"bags": [{"id": 7}]}`,
		"too large":                 `{"bags": []}` + strings.Repeat(" ", maxStockFile),
	} {
		path := filepath.Join(t.TempDir(), "stock.json")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		requireRefusedLine(t, "plan", "pick", "--need-ml", "900", "--stock", path)
		_ = name
	}
	requireRefusedLine(t, "plan", "pick", "--need-ml", "900", "--stock", filepath.Join(t.TempDir(), "none.json"))
}

// requireRefusedLine expects exit code 2, one line on standard error, and
// nothing on standard output.
func requireRefusedLine(t *testing.T, args ...string) string {
	t.Helper()
	code, out, errs := runLine(t, args...)
	require.Equal(t, exitRefused, code, "%.200q: %s", args, errs)
	require.Empty(t, out)
	require.Equal(t, 1, strings.Count(errs, "\n"), errs)
	require.LessOrEqual(t, len(errs), 2000)
	return errs
}

func TestBadInputIsRefusedOnOneLine(t *testing.T) {
	long := strings.Repeat("x", 1<<20)
	for _, c := range []struct {
		args  []string
		field string
	}{
		{[]string{"plan", "dose", "--weight-kg", "5,000"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "5000", "--igg-g-per-l", "3"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "50", "--igg-g-per-l", "350"}, "igg_g_per_l"},
		{[]string{"plan", "dose", "--weight-kg", "NaN"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "+Inf"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "1e3"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", long}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "5\xff"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "50\x1b[2J"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg", "8 st"}, "weight_kg"},
		{[]string{"plan", "dose", "--bags", "1.5"}, "bags"},
		{[]string{"plan", "dose", "--bags", "99999999999"}, "bags"},
		{[]string{"plan", "dose", "--weight-kg", "50", "--weight-kg", "51"}, "weight_kg"},
		{[]string{"plan", "dose", "--weight-kg"}, "weight_kg"},
		{[]string{"plan", "dose", "50"}, "arguments"},
		{[]string{"plan", "dose", "--weight", "50"}, "flags"},
		{[]string{"plan", "shelf", "--held=perhaps"}, "held"},
		{[]string{"plan", "mkt", "--celsius", "20,x"}, "celsius"},
		{[]string{"plan", "nothing"}, "command"},
		{[]string{"nothing"}, "command"},
		{[]string{long}, "command"},
		{[]string{"weigh", "5Q", "5,000", "--how", "scale"}, "weight_kg"},
		{[]string{"weigh", "5Q", "5000", "--how", "scale"}, "weight_kg"},
		{[]string{"weigh", "5Q", "52.1234", "--how", "scale"}, "weight_kg"},
		{[]string{"weigh", "5Q", "52", "--how", "guess"}, "how"},
		{[]string{"weigh", "5Q"}, "weight_kg"},
		{[]string{"weigh"}, "case"},
		{[]string{"weigh", "5Q", "52"}, "how"},
		{[]string{"weigh", "5Q", "52", "kg", "--how", "scale"}, "arguments"},
		{[]string{"weigh", long, "52", "--how", "scale"}, "case"},
		{[]string{"weigh", "5\xff", "52", "--how", "scale"}, "case"},
		{[]string{"igg", "5Q", "--kind", "snap", "--igg-g-per-l", "350"}, "igg_g_per_l"},
		{[]string{"igg", "5Q", "--kind", "snap", "--igg-g-per-l", "3", "--igg-mg-per-dl", "300"}, "igg_mg_per_dl"},
		{[]string{"close", "5Q", "w", "--when", "yesterday"}, "when"},
		{[]string{"close", "5Q", "re", "--override", "x"}, "override"},
		{[]string{"close", "5Q", "re", "--override", "no_such_code=y"}, "override"},
		{[]string{"rights", "revoke", "--device", "xy", "--reason", "r"}, "device"},
		{[]string{"receive", "--expiry", "03/04/27"}, "expiry"},
		{[]string{"open", "foal", "--born", "03/04/27"}, "born"},
		{[]string{"stock", "--at", "nowhere"}, "at"},
		{[]string{"choose", "5Q", "--need-ml", "0"}, "need_ml"},
		{[]string{"help", "nothing"}, "command"},
		{[]string{"bench", "--only", "nothing"}, "only"},
		{[]string{"server", "--data", "x", "--no-passphrase"}, "data"},
		{[]string{"server", "--data", "x"}, "passphrase_file"},
		{[]string{"agent", "--data", "x"}, "passphrase_file"},
		{[]string{"agent", "--data", "x", "--no-passphrase", "--key-file", "k"}, "passphrase_file"},
		{[]string{"agent", "enrol", "7K2M-4QPD", "--data", "x", "--server", "127.0.0.1:1"}, "code"},
		{[]string{"agent", "enrol", "--data", "x", "--server", "127.0.0.1:1"}, "arguments"},
		{[]string{"server", "init", "--data", "x", "--zone", "Europe/Dublin", "--owner", "A"}, "practice"},
		{[]string{"server", "invite", "--data", "x", "--person", "A", "--role", "boss"}, "role"},
		{[]string{"server", "revoke", "--data", "x"}, "device"},
		{[]string{"agent"}, "data"},
		{[]string{"version", "extra"}, "arguments"},
	} {
		errs := requireRefusedLine(t, c.args...)
		require.Regexp(t, "^"+c.field+"(: | is missing: )", errs, "%.100q", c.args)
		require.NotContains(t, errs, "\x1b")
	}
}

func TestScaledNumbersAreExact(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		grams := rapid.Int64Range(500, 150_000).Draw(rt, "tens of grams") * 10
		text := decimalText(grams/10, 2)
		if rapid.Bool().Draw(rt, "comma") {
			text = strings.ReplaceAll(text, ".", ",")
		}
		req, err := parse(t, "weigh 5Q "+text+" --how scale")
		require.NoError(rt, err, text)
		require.Equal(rt, int32(grams), req.Entry.GetPatientWeighed().WeightG)
	})
}
