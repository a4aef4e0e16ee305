package event

import (
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

var noRule = &pb.FieldRule{}

var rules sync.Map // protoreflect.FullName -> *pb.FieldRule; bounded by the contract

// RuleOf is the rule beside a field; an empty one when there is none.
func RuleOf(f protoreflect.FieldDescriptor) *pb.FieldRule {
	if r, ok := rules.Load(f.FullName()); ok {
		return r.(*pb.FieldRule)
	}
	r, _ := proto.GetExtension(f.Options(), pb.E_Rule).(*pb.FieldRule)
	if r == nil {
		r = noRule
	}
	rules.Store(f.FullName(), r)
	return r
}
