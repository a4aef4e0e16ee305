package input_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// stored draws a value that a field may hold; false for what nobody types.
func stored(t *rapid.T, f protoreflect.FieldDescriptor, rule *pb.FieldRule) (protoreflect.Value, bool) {
	low, high := int64(-1<<31), int64(1<<31-1)
	if rule.Min != nil {
		low = int64(*rule.Min)
	}
	if rule.Max != nil {
		high = int64(*rule.Max)
	}
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true), true
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(rapid.Int64Range(low, high).Draw(t, "number"))), true
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(rapid.Int64Range(low, high).Draw(t, "number")), true
	case protoreflect.EnumKind:
		values := f.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(rapid.IntRange(1, values.Len()-1).Draw(t, "enum")).Number()), true
	case protoreflect.MessageKind:
		if f.Message().FullName() == input.MomentName {
			at := time.Date(2027, 4, 3, 14, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(0, 7200).Draw(t, "s")) * time.Second)
			return protoreflect.ValueOfMessage((&pb.Moment{UnixMs: at.UnixMilli()}).ProtoReflect()), true
		}
		return protoreflect.ValueOfMessage((&pb.Sealed{Plain: "P. Hollis"}).ProtoReflect()), f.Message().FullName() == (&pb.Sealed{}).ProtoReflect().Descriptor().FullName()
	case protoreflect.StringKind:
		switch rule.Format {
		case pb.Format_FORMAT_BAG:
			return protoreflect.ValueOfString("7K2M9QX47"), true
		case pb.Format_FORMAT_DAY:
			return protoreflect.ValueOfString("2027-04"), true
		}
		text := "a word, and another"
		if rule.MaxLen > 0 {
			text = text[:min(len(text), int(rule.MaxLen))]
		}
		return protoreflect.ValueOfString(text), true
	}
	return protoreflect.Value{}, false
}

// What a field holds is shown as it is typed, and read back to the same: on the hour that
// the clocks show twice as well.
func TestWhatIsShownIsReadBack(t *testing.T) {
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	now := time.Date(2027, 5, 1, 0, 0, 0, 0, time.UTC)
	clock := input.Clock{Now: func() time.Time { return now }, Zone: sydney, ZoneName: "Australia/Sydney"}
	testrun.Check(t, func(t *rapid.T) {
		spec := rapid.SampledFrom(event.All()).Draw(t, "event")
		fields := spec.Message().Fields()
		if fields.Len() == 0 {
			return
		}
		f := fields.Get(rapid.IntRange(0, fields.Len()-1).Draw(t, "field"))
		rule := event.RuleOf(f)
		v, typed := stored(t, f, rule)
		if !typed {
			return
		}
		was := spec.New().ProtoReflect()
		if f.IsList() {
			was.Mutable(f).List().Append(v)
		} else {
			was.Set(f, v)
		}
		for _, scale := range []int64{max(rule.Scale, 1), max(rule.AltScale, 1)} {
			read := input.Field{Clock: clock, Desc: f, Rule: rule, Name: string(f.Name()), Scale: scale}
			texts := read.Typed(was)
			if len(texts) == 0 { // a zero that is not there
				require.False(t, was.Has(f))
				return
			}
			again := spec.New().ProtoReflect()
			require.NoError(t, read.Put(again, texts), "%s as %q", f.FullName(), texts)
			if m, ok := again.Get(f).Interface().(protoreflect.Message); ok && f.Message().FullName() == input.MomentName {
				require.Equal(t, v.Message().Interface().(*pb.Moment).UnixMs, m.Interface().(*pb.Moment).UnixMs, "%q", texts)
				continue
			}
			require.True(t, proto.Equal(was.Interface(), again.Interface()), "%s as %q", f.FullName(), texts)
		}
	})
}

// A day begins at its first moment: at midnight, at the first of two, or where the clocks
// skip it. Lebanon went from 00:00 to 01:00 on 26 March 2028 by its rule, and Cuba shows
// midnight twice on 5 November 2028 (rules of the tz database).
func TestADayBeginsAtItsFirstMoment(t *testing.T) {
	for _, c := range []struct{ zone, day, want string }{
		{"Australia/Sydney", "2027-01-01", "2026-12-31T13:00:00Z"},
		{"Asia/Beirut", "2028-03-26", "2028-03-25T22:00:00Z"},
		{"America/Havana", "2028-11-05", "2028-11-05T04:00:00Z"},
	} {
		zone, err := time.LoadLocation(c.zone)
		require.NoError(t, err)
		clock := input.Clock{Now: func() time.Time { return time.Date(2026, 11, 24, 13, 0, 0, 0, time.UTC) }, Zone: zone, ZoneName: c.zone}
		at, err := clock.Moment("holds_from", c.day)
		require.NoError(t, err)
		require.Equal(t, c.want, time.UnixMilli(at.UnixMs).UTC().Format(time.RFC3339), c.zone)
		_, err = clock.Moment("when", c.day)
		require.Error(t, err)
	}
}
