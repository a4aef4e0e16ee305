package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"thawtrail/internal/proof"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// recallProofCommand writes one file that proves every record of a recall dossier.
func (d *console) recallProofCommand() *cobra.Command {
	f := newForm((&pb.GetRecallRequest{}).ProtoReflect().Descriptor(), nil, askedAs)
	out := &flagOf{name: "out", metavar: "FILE", help: "where the proofs are written", required: true}
	cmd := newCommand(f, "audit recall-proof", "Write one file that proves every record of a recall to an inspector", "audit recall-proof --product 'Foal plasma' --batch H2207 --out recall.proof")
	bindFlags(cmd.Flags(), out)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		req, dossier := &pb.GetRecallRequest{}, &pb.GetRecallResponse{}
		if out.text() == "" {
			return refusal.New("out", "", "--out FILE: "+out.help)
		}
		if err := f.fill(d, req.ProtoReflect(), words); err != nil {
			return err
		}
		if err := l.call(cmd.Context(), pb.AuditService_GetRecall_FullMethodName, req, dossier); err != nil {
			return err
		}
		file := &pb.ProofFile{About: dossier.About}
		for _, record := range dossier.Records {
			answer := &pb.MakeProofResponse{}
			if err := l.call(cmd.Context(), pb.ProofService_MakeProof_FullMethodName, &pb.MakeProofRequest{Record: record}, answer); err != nil {
				file.Unproven = append(file.Unproven, record)
				continue
			}
			file.Proofs = append(file.Proofs, answer.Proof)
		}
		if len(file.Proofs) == 0 {
			return refusal.Fail(refusal.ErrUnready, "no statement of the clinic's server covers any of these %d records yet; one is made after they have reached the server", len(dossier.Records))
		}
		raw, err := proof.EncodeMany(file)
		if err == nil {
			err = d.write(out.text(), raw)
		}
		if err != nil {
			return err
		}
		return d.tellProofs(file, l.json.text() == "true")
	}
	return cmd
}

// tellProofs checks every proof of a file, and says what they come to.
func (d *console) tellProofs(file *pb.ProofFile, asJSON bool) error {
	devices, servers := map[string]bool{}, map[string]bool{}
	for i, p := range file.Proofs {
		shown, err := proof.Verify(p)
		if err != nil {
			return fmt.Errorf("proof %d of %d: %w", i+1, len(file.Proofs), err)
		}
		devices[fmt.Sprintf("%x", shown.Device)], servers[fmt.Sprintf("%x", shown.Server)] = true, true
	}
	if asJSON {
		return d.object(map[string]any{"ok": true, "about": file.About, "proofs": len(file.Proofs), "unproven": file.Unproven, "devices": len(devices), "servers": len(servers)})
	}
	pg := newPage(d.out)
	pg.wrap("", "Every proof holds: "+count(len(file.Proofs), "record")+" about "+line(file.About)+", written by "+count(len(devices), "device")+".")
	if n := len(file.Unproven); n > 0 {
		pg.wrap("", "No statement of the server covers "+count(n, "other record")+" yet:")
		pg.texts("record", file.Unproven)
	}
	pg.wrap("", "Compare laptops and server with the ids that the practice gives. Whether what the records tell is true, no proof can say.")
	return nil
}
