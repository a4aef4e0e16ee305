package cli

import (
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// exportCommand writes all that is held on a client. The file is in clear.
func (d *console) exportCommand() *cobra.Command {
	out := &flagOf{name: "out", metavar: "FILE", help: "where it is written, as JSON, readable to this user alone", required: true}
	cmd := &cobra.Command{
		Use: "export CLIENT --out FILE", Short: "Write all that is held on one client", Example: "client export 'P. Hollis' --out hollis.json",
		Args: oneWord("a client, by name or id"), DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), out)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		if out.text() == "" {
			return refusal.New("out", "", "--out FILE: "+out.help)
		}
		answer := &pb.ExportClientResponse{}
		if err := l.call(cmd.Context(), pb.PrivacyService_ExportClient_FullMethodName, &pb.ExportClientRequest{Client: words[0]}, answer); err != nil {
			return err
		}
		raw, err := protojson.MarshalOptions{Multiline: true, UseProtoNames: true}.Marshal(answer)
		if d.rehearsal {
			raw = withMark(raw)
		}
		if err == nil {
			err = d.write(out.text(), append(raw, '\n'))
		}
		if err != nil {
			return err
		}
		if l.json.text() == "true" {
			return d.object(map[string]any{"client": answer.Client, "records": len(answer.Records), "cases": answer.Cases, "file": out.text()})
		}
		p := newPage(d.out)
		p.wrap("", fmt.Sprintf("%s and %s are written to %s, in clear. Hand it over, then delete it. %s",
			count(len(answer.Records), "record"), count(len(answer.Cases), "case"), line(out.text()), answer.Text))
		return nil
	}
	return cmd
}
