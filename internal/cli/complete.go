package cli

import (
	"context"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"thawtrail/internal/event"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
)

// completesWithin is how long a person at a prompt is kept waiting for ids. An agent that is
// not there, or slow, completes nothing and says nothing.
const completesWithin = 500 * time.Millisecond

// completesMost bounds the ids that are offered.
const completesMost = 50

// completeIDs lets the shell complete the ids of bags and cases, as the agent at --at knows
// them, beside the words of lists.
func (d *console) completeIDs(cmd *cobra.Command, f *form, l *link) {
	words := cmd.ValidArgsFunction
	cmd.ValidArgsFunction = func(cmd *cobra.Command, typed []string, begun string) ([]cobra.Completion, cobra.ShellCompDirective) {
		i := len(typed)
		if last := len(f.args) - 1; i > last && last >= 0 && f.args[last].IsList() {
			i = last
		}
		if i < len(f.args) {
			if ask := idsOf[event.RuleOf(f.args[i]).Refers]; ask != nil {
				return idsThatBegin(begun, l.ids(cmd.Context(), ask)), cobra.ShellCompDirectiveNoFileComp
			}
		}
		return words(cmd, typed, begun)
	}
}

// idsOf asks for the ids of one kind of entity, each with what tells it from others.
var idsOf = map[string]func(context.Context, *grpc.ClientConn) [][2]string{
	"bag": func(ctx context.Context, conn *grpc.ClientConn) (out [][2]string) {
		answer, err := pb.NewStockServiceClient(conn).ListStock(ctx, &pb.ListStockRequest{})
		if err != nil {
			return nil
		}
		for _, b := range answer.Bags {
			out = append(out, [2]string{b.Bag, b.Product + ", " + b.Place + ", " + b.State})
		}
		return out
	},
	"case": func(ctx context.Context, conn *grpc.ClientConn) (out [][2]string) {
		answer, err := pb.NewCaseServiceClient(conn).ListCases(ctx, &pb.ListCasesRequest{Limit: completesMost})
		if err != nil {
			return nil
		}
		for _, c := range answer.Cases {
			out = append(out, [2]string{c.Case, c.Patient + ", " + c.State})
		}
		return out
	},
}

func (l *link) ids(ctx context.Context, ask func(context.Context, *grpc.ClientConn) [][2]string) [][2]string {
	if ctx == nil {
		ctx = context.Background()
	}
	ctx, cancel := context.WithTimeout(ctx, completesWithin)
	defer cancel()
	target, options := local.Target(l.address())
	conn, err := grpc.NewClient(target, append(options, grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))...)
	if err != nil {
		return nil
	}
	defer conn.Close()
	return ask(ctx, conn)
}

// idsThatBegin are the ids that begin as what was typed, however that was typed.
func idsThatBegin(begun string, ids [][2]string) (out []cobra.Completion) {
	begun = strings.ToUpper(strings.ReplaceAll(begun, "-", ""))
	for _, id := range ids {
		if strings.HasPrefix(id[0], begun) && len(out) < completesMost {
			out = append(out, cobra.CompletionWithDesc(line(id[0]), line(id[1])))
		}
	}
	return out
}
