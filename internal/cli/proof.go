package cli

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/internal/event"
	"thawtrail/internal/proof"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// oneWord is a command with one word beside its flags.
func oneWord(what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, words []string) error {
		if len(words) != 1 {
			return refusal.New("arguments", fmt.Sprint(len(words)), what)
		}
		return nil
	}
}

func (d *console) proofCommand() *cobra.Command {
	out := &flagOf{name: "out", metavar: "FILE", help: "where the proof is written", required: true}
	cmd := &cobra.Command{
		Use: "proof RECORD --out FILE", Short: "Write a small file that proves one record to an outsider", Example: "audit proof 3f9a21c0 --out record.proof",
		Args: oneWord("the hash of a record, or its first 8 digits"), DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), out)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		if out.text() == "" {
			return refusal.New("out", "", "--out FILE: "+out.help)
		}
		answer := &pb.MakeProofResponse{}
		if err := l.call(cmd.Context(), pb.ProofService_MakeProof_FullMethodName, &pb.MakeProofRequest{Record: words[0]}, answer); err != nil {
			return err
		}
		file, err := proof.Encode(answer.Proof)
		if err == nil {
			err = d.write(out.text(), file)
		}
		if err != nil {
			return err
		}
		return d.tellProof(answer.Proof, l.json.text() == "true", nil)
	}
	return cmd
}

// verifyProofCommand needs no agent; with --at it also compares the statement.
func (d *console) verifyProofCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "verify-proof FILE", Short: "Check a proof; with --at, compare its statement with a replica's",
		Example: "audit verify-proof record.proof", Args: oneWord("the file of a proof"), DisableFlagsInUseLine: true,
	}
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		file, err := d.read(words[0], proof.MaxBytes)
		if err != nil {
			return err
		}
		many, err := proof.DecodeMany(file)
		if err != nil {
			return err
		}
		if len(many.Proofs) > 1 || many.About != "" {
			return d.tellProofs(many, l.json.text() == "true")
		}
		p := many.Proofs[0]
		var compared *pb.CompareProofResponse
		if l.at.given() {
			if compared, err = l.compareProof(cmd.Context(), p); err != nil {
				return err
			}
		}
		if err := d.tellProof(p, l.json.text() == "true", compared); err != nil {
			return err
		}
		if compared.GetMatch() == pb.StatementMatch_STATEMENT_MATCH_DIFFERENT {
			return exitError{exitFailed}
		}
		return nil
	}
	return cmd
}

func (l *link) compareProof(ctx context.Context, p *pb.Proof) (*pb.CompareProofResponse, error) {
	answer := &pb.CompareProofResponse{}
	return answer, l.call(ctx, pb.ProofService_CompareProof_FullMethodName, &pb.CompareProofRequest{Proof: p}, answer)
}

// tellProof checks a proof and says what it shows.
func (d *console) tellProof(p *pb.Proof, asJSON bool, compared *pb.CompareProofResponse) error {
	shown, err := proof.Verify(p)
	if err != nil {
		return err
	}
	spec, _ := event.Lookup(shown.Record.Head.Type)
	what := "entry of a kind that this program does not know"
	if spec != nil {
		what = spec.Name
	}
	stated := time.UnixMicro(shown.Statement.WallUs).UTC().Format(time.RFC3339)
	if asJSON {
		return d.object(map[string]any{
			"ok": true, "record": shown.Record.Hash.String(), "type": what, "device": hex.EncodeToString(shown.Device),
			"server": hex.EncodeToString(shown.Server), "statement": shown.Statement.Number, "stated_at": stated, "compared": compared.GetText(),
		})
	}
	pg := newPage(d.out)
	pg.wrap("", "The proof holds: record "+shown.Record.Hash.String()+", a "+what+".")
	pg.pairs([][2]string{
		{"happened", time.UnixMilli(shown.Record.OccurredMs()).UTC().Format(time.RFC3339) + ", as the record tells"},
		{"written", time.UnixMicro(shown.Record.Head.WallUs).UTC().Format(time.RFC3339) + ", by the laptop's clock"},
		{"held by the server", "at the latest " + stated + ", by its clock (statement " + fmt.Sprint(shown.Statement.Number) + ")"},
		{"laptop", line(shown.DeviceName) + ", " + hex.EncodeToString(shown.Device)},
		{"server", hex.EncodeToString(shown.Server)},
	})
	if compared != nil {
		pg.wrap("", compared.Text)
	}
	pg.wrap("", "Compare laptop and server with the ids that the practice gives. Whether what the record tells is true, no proof can say.")
	return nil
}
