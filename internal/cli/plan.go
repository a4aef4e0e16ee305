package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/plans"
	pb "thawtrail/proto/thawtrail/v1"
)

// planCommand computes one plan in this process.
func (d *console) planCommand(m protoreflect.MethodDescriptor) *cobra.Command {
	rule := commandRule(m)
	f := newForm(m.Input(), rule.Args, nil)
	cmd := newCommand(f, rule.Use, rule.Short, rule.Example)
	asJSON := jsonFlag()
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		req, err := newMessage(m.Input())
		if err != nil {
			return err
		}
		if err := f.fill(d, req.ProtoReflect(), words); err != nil {
			return err
		}
		answer, err := d.plan(cmd.Context(), string(m.Name()), req)
		if err != nil {
			return err
		}
		if err := d.inBothUnits(cmd.Context(), false); err != nil {
			return err
		}
		if pick, ok := answer.(*pb.PickResponse); ok && pick.Schema != "" {
			d.printf("%s", pick.Schema) // the file itself, for a validator, with or without --json
			return nil
		}
		return d.answer(asJSON, answer)
	}
	return cmd
}

// plan calls a method of the PlanService by its name, without a network.
func (d *console) plan(ctx context.Context, method string, req proto.Message) (proto.Message, error) {
	plans := &plans.Plans{Now: d.now}
	fill := func(to any) error {
		proto.Merge(to.(proto.Message), req)
		return nil
	}
	for _, m := range pb.PlanService_ServiceDesc.Methods {
		if m.MethodName != method {
			continue
		}
		answer, err := m.Handler(plans, ctx, fill, nil)
		if err != nil {
			return nil, err
		}
		return answer.(proto.Message), nil
	}
	return nil, fmt.Errorf("there is no plan %s", method)
}
