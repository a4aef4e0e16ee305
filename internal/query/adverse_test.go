package query_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// hives is a night with a reaction: plasma at 02:00 from a bag, hives after ten minutes,
// stopped, adrenaline, over after half an hour.
func hives(d *entrytest.Laptop) (id string, bag string) {
	bag = d.Begin()[0]
	id = d.Foal()
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.Must(&pb.IggTested{Case: id, Kind: "barn immunoassay", IggCgPerL: proto.Int32(350)})
	d.Must(&pb.DrugGiven{Case: id, Drug: "flunixin", DoseUg: 55_000, StrengthUgPerMl: 50_000, Route: "vein"})
	d.Ready(id, bag)
	d.Must(&pb.TransfusionStarted{Bag: bag, Case: id})
	d.Must(&pb.RateSet{Case: id, MlPerH: 25, SlowStage: true})
	d.Clock.Advance(10 * time.Minute)
	d.Must(&pb.ReactionNoted{Case: id, Signs: []string{"hives"}})
	d.Clock.Advance(time.Minute)
	mustNamed(d, "stopped", &pb.TransfusionEnded{Bag: bag, Case: id, GivenMl: 4, Reason: "hives"})
	d.Must(&pb.DrugGiven{Case: id, Drug: "adrenaline", DoseUg: 500, StrengthUgPerMl: 1000, Route: "muscle"})
	return id, bag
}

// mustNamed writes an entry whose type its message leaves open.
func mustNamed(d *entrytest.Laptop, name string, m proto.Message) {
	d.T.Helper()
	_, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Named(name, m)})
	require.NoError(d.T, err)
}

func adverseSheet(d *entrytest.Laptop, req *pb.GetAdverseSheetRequest) *pb.GetAdverseSheetResponse {
	d.T.Helper()
	out, err := d.GetAdverseSheet(d.T.Context(), req)
	require.NoError(d.T, err)
	fitsSchema(d.T, out)
	return out
}

// What the case has stands on the sheet, what nobody told is named, and each is named no
// more once it was told.
func TestAdverseSheetOfAReaction(t *testing.T) {
	d := entrytest.New(t)
	id, bag := hives(d)
	out := adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id})
	require.Equal(t, "animal", out.Kind)
	require.Empty(t, out.MissingLeast)
	require.Len(t, out.Products, 1)
	p := out.Products[0]
	require.Equal(t, []any{bag, "Foal plasma", "H-2207", int32(4), int32(25), "vein"}, []any{p.Bag, p.Product, p.Batch, p.GivenMl, p.MlPerH, p.Route})
	require.Equal(t, int32(350), *out.Animal.IggBeforeCgPerL)
	require.Equal(t, int32(50_000), *out.Animal.WeightG)
	require.Len(t, out.Course.Signs, 1)
	require.Len(t, out.Course.Drugs, 1)
	require.Contains(t, out.Course.Drugs[0], "adrenaline 0.5 mg, muscle")
	require.Contains(t, out.Course.OtherDrugs[0], "flunixin 55 mg, vein")
	require.Contains(t, out.Course.Dechallenge, "plasma stopped at")
	require.Equal(t, "not given again", out.Course.Rechallenge)
	for _, words := range []string{"the breed", "when the signs were over", "the vet's own assessment", "previous plasma, and how it went", "the outcome"} {
		require.Contains(t, out.Missing, words)
	}
	require.Empty(t, out.Reported)

	d.Must(&pb.ReactionDescribed{Case: id, Kind: pb.ReactionKind_REACTION_KIND_ALLERGIC, Grade: pb.ReactionGrade_REACTION_GRADE_MILD, OnsetMin: proto.Int32(10), EndedAt: &pb.Moment{UnixMs: d.Clock.Now().Add(29 * time.Minute).UnixMilli()}})
	d.Must(&pb.AdverseDetail{Case: id, Breed: "thoroughbred", Assessment: "probably the plasma", Treated: proto.Int32(3), Codes: []string{"hives=1234"}})
	d.Must(&pb.AdverseDetail{Case: id, PreviousExposure: "none", Affected: proto.Int32(2)})
	mustNamed(d, "adverse_event_reported", &pb.AdverseEvent{Case: id, Event: "reaction", To: "maker", Reference: "R-114"})
	after := adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id})
	for _, words := range []string{"the breed", "when the signs were over", "the vet's own assessment", "previous plasma, and how it went"} {
		require.NotContains(t, after.Missing, words)
	}
	require.Equal(t, []int32{3, 2, 0}, []int32{after.Animal.Treated, after.Animal.Affected, after.Animal.Dead}, "the last word of each stands")
	require.Equal(t, "1234", after.Course.Signs[0].Code)
	require.Equal(t, int32(30), *after.Course.DurationMin)
	require.Equal(t, []string{"maker", "R-114"}, []string{after.Reported[0].To, after.Reported[0].Reference})
}

// Each kind asks for what it is about.
func TestAdverseSheetByKind(t *testing.T) {
	d := entrytest.New(t)
	id, _ := hives(d)
	for kind, words := range map[pb.AdverseKind]string{
		pb.AdverseKind_ADVERSE_KIND_PERSON: "the person's exposure, and how it went", pb.AdverseKind_ADVERSE_KIND_LACK_OF_EFFICACY: "IgG as a number after plasma",
		pb.AdverseKind_ADVERSE_KIND_OFF_LABEL: "what of the use was outside the label",
	} {
		require.Contains(t, adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id, Kind: kind}).Missing, words)
		require.NotContains(t, adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id}).Missing, words)
	}
	mustNamed(d, "adverse_event_considered", &pb.AdverseEvent{Case: id, Event: "needle-stick"})
	require.Equal(t, "person", adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id}).Kind, "as it was noted")
	d.Must(&pb.AdverseDetail{Case: id, Kind: pb.AdverseKind_ADVERSE_KIND_OFF_LABEL, OffLabel: "an adult", Person: "left thumb, no plasma went in; well"})
	out := adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id})
	require.Equal(t, []string{"off_label", "an adult"}, []string{out.Kind, out.OffLabel})

	none := entrytest.New(t)
	none.Begin()
	empty := adverseSheet(none, &pb.GetAdverseSheetRequest{Case: none.Foal()})
	require.Equal(t, []string{"the product", "what happened"}, empty.MissingLeast[len(empty.MissingLeast)-2:])
	require.Contains(t, empty.Text, "No valid report yet")
}

// fitsSchema checks the JSON that the command prints against the published schema.
func fitsSchema(t require.TestingT, out *pb.GetAdverseSheetResponse) {
	raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(out)
	require.NoError(t, err)
	var value, schema map[string]any
	require.NoError(t, json.Unmarshal(raw, &value))
	require.NoError(t, json.Unmarshal(query.AdverseSchema, &schema))
	require.Empty(t, misfits("", value, schema))
}

// misfits are where a value breaks a schema, as far as ours goes: type, enum, required,
// properties, additionalProperties, items, minimum.
func misfits(at string, value any, schema map[string]any) (bad []string) {
	if words, ok := schema["enum"].([]any); ok && !slices.Contains(words, value) {
		bad = append(bad, fmt.Sprintf("%s: %v is none of %v", at, value, words))
	}
	if least, ok := schema["minimum"].(float64); ok {
		if n, isNumber := value.(float64); !isNumber || n < least {
			bad = append(bad, fmt.Sprintf("%s: %v is under %v", at, value, least))
		}
	}
	switch schema["type"] {
	case "string":
		if _, ok := value.(string); !ok {
			bad = append(bad, at+": no string")
		}
	case "integer":
		if n, ok := value.(float64); !ok || n != float64(int64(n)) {
			bad = append(bad, at+": no integer")
		}
	case "array":
		items, ok := value.([]any)
		if !ok {
			return append(bad, at+": no array")
		}
		for i, item := range items {
			bad = append(bad, misfits(fmt.Sprintf("%s[%d]", at, i), item, schema["items"].(map[string]any))...)
		}
	case "object":
		bad = append(bad, misfitsOfObject(at, value, schema)...)
	}
	return bad
}

func misfitsOfObject(at string, value any, schema map[string]any) (bad []string) {
	object, ok := value.(map[string]any)
	if !ok {
		return []string{at + ": no object"}
	}
	required, _ := schema["required"].([]any)
	for _, name := range required {
		if _, there := object[name.(string)]; !there {
			bad = append(bad, at+"."+name.(string)+": missing")
		}
	}
	properties, _ := schema["properties"].(map[string]any)
	for name, item := range object {
		of, known := properties[name].(map[string]any)
		switch {
		case known:
			bad = append(bad, misfits(at+"."+name, item, of)...)
		case schema["additionalProperties"] == false:
			bad = append(bad, at+"."+name+": not in the schema")
		}
	}
	return bad
}

// The check of the schema can fail.
func TestASheetThatBreaksTheSchemaIsFound(t *testing.T) {
	d := entrytest.New(t)
	id, _ := hives(d)
	out := adverseSheet(d, &pb.GetAdverseSheetRequest{Case: id})
	raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(out)
	require.NoError(t, err)
	var value, schema map[string]any
	require.NoError(t, json.Unmarshal(raw, &value))
	require.NoError(t, json.Unmarshal(query.AdverseSchema, &schema))
	for name, wrong := range map[string]any{"kind": "fish", "missing": "breed", "products": []any{map[string]any{}}, "more": 1, "animal": nil} {
		spoiled := map[string]any{}
		for k, v := range value {
			spoiled[k] = v
		}
		spoiled[name] = wrong
		require.NotEmpty(t, misfits("", spoiled, schema), name)
	}
}
