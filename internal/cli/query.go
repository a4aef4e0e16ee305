package cli

import (
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "thawtrail/proto/thawtrail/v1"
)

// askedAs gives request fields another flag where ours is taken: --at is always
// the address.
var askedAs = map[string]string{"at": "as-of"}

// commandRule is the rule beside a method, or nil.
func commandRule(m protoreflect.MethodDescriptor) *pb.CommandRule {
	rule, _ := proto.GetExtension(m.Options(), pb.E_Command).(*pb.CommandRule)
	return rule
}

// methods lists the methods of a service that have a command.
func methods(service protoreflect.FullName) []protoreflect.MethodDescriptor {
	var out []protoreflect.MethodDescriptor
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(service)
	if err != nil {
		return nil
	}
	all := d.(protoreflect.ServiceDescriptor).Methods()
	for i := range all.Len() {
		if commandRule(all.Get(i)) != nil {
			out = append(out, all.Get(i))
		}
	}
	return out
}

// newMessage makes an empty message of a kind that this program was built with.
func newMessage(desc protoreflect.MessageDescriptor) (proto.Message, error) {
	t, err := protoregistry.GlobalTypes.FindMessageByName(desc.FullName())
	if err != nil {
		return nil, err
	}
	return t.New().Interface(), nil
}

// queryServices are the services whose methods are commands that need no more than
// their request: questions, and what is asked of this laptop alone.
var queryServices = []string{
	pb.StockService_ServiceDesc.ServiceName, pb.CaseService_ServiceDesc.ServiceName, pb.AuditService_ServiceDesc.ServiceName,
	pb.PhoneService_ServiceDesc.ServiceName, pb.PrivacyService_ServiceDesc.ServiceName, pb.RecordService_ServiceDesc.ServiceName,
}

// queryCommand asks one method of an agent or server.
func (d *console) queryCommand(m protoreflect.MethodDescriptor) *cobra.Command {
	rule := commandRule(m)
	f := newForm(m.Input(), rule.Args, askedAs)
	cmd := newCommand(f, rule.Use, rule.Short, rule.Example)
	link := d.bindLink(cmd.Flags())
	d.completeIDs(cmd, f, link)
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		req, err := newMessage(m.Input())
		if err != nil {
			return err
		}
		answer, err := newMessage(m.Output())
		if err != nil {
			return err
		}
		link.inPracticeZone(cmd.Context(), f.tellsTime())
		if err := f.fill(d, req.ProtoReflect(), words); err != nil {
			return err
		}
		method := fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())
		if err := link.call(cmd.Context(), method, req, answer); err != nil {
			return err
		}
		return d.answer(link.json, answer)
	}
	return cmd
}
