package cli

import (
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	pb "thawtrail/proto/thawtrail/v1"
)

// What stands behind a flag in the help.
const (
	metaSwitch = "yes or no"
	metaText   = "TEXT"
	metaNumber = "NUMBER"
	metaTime   = "TIME"
	metaDay    = "DAY"
	metaBag    = "BAG"
	metaHex    = "HEX"
	metaFile   = "FILE"
	metaWord   = "WORD"
)

func metavarOf(f protoreflect.FieldDescriptor) string {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return metaSwitch
	case protoreflect.Int32Kind, protoreflect.Int64Kind, protoreflect.Uint32Kind, protoreflect.DoubleKind:
		return metaNumber
	case protoreflect.EnumKind:
		return metaWord
	case protoreflect.BytesKind:
		return metaHex
	case protoreflect.MessageKind:
		return metavarOfMessage(f)
	}
	switch event.RuleOf(f).Format {
	case pb.Format_FORMAT_BAG:
		return metaBag
	case pb.Format_FORMAT_DAY:
		return metaDay
	}
	return metaText
}

func metavarOfMessage(f protoreflect.FieldDescriptor) string {
	switch f.Message().FullName() {
	case input.MomentName:
		return metaTime
	case stockBagName:
		return metaFile
	}
	return metaText
}

var stockBagName = (&pb.StockBag{}).ProtoReflect().Descriptor().FullName()
