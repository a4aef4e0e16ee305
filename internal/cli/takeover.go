package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

func (d *console) handoverCodeCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "code CASE", Short: "Show a running case as a code to type into a second laptop, without a network", Example: "handover code 5Q",
		Args: oneWord("a case"), DisableFlagsInUseLine: true,
	}
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		answer := &pb.ShowCodeResponse{}
		if err := l.call(cmd.Context(), pb.CarryService_ShowCode_FullMethodName, &pb.ShowCodeRequest{Case: words[0]}, answer); err != nil {
			return err
		}
		if l.json.text() == "true" {
			return d.object(map[string]any{"case": answer.Case, "rows": answer.Rows, "dam": answer.Dam, "mark": answer.Mark, "says": answer.Says})
		}
		p := newPage(d.out)
		for i, row := range answer.Rows {
			p.line(fmt.Sprintf("  %d   %s", i+1, row))
		}
		p.line("")
		p.hang("  dam    ", "         ", line(answer.Dam))
		p.hang("  mark   ", "         ", line(answer.Mark))
		d.tellSheet(p, answer.Says)
		p.line("")
		p.wrap("", "On the other laptop: `thawtrail takeover code ROW ROW ROW ROW --dam NAME --mark MARK`, or its page 'Take over a case'. Until a link or a file brings word of it, this laptop goes on with its alarms.")
		return nil
	}
	return cmd
}

func (d *console) tellSheet(p *page, says []string) {
	if len(says) == 0 {
		return
	}
	p.line("")
	for _, s := range says {
		p.hang("  - ", "    ", line(s))
	}
}

func (d *console) takeoverCodeCommand() *cobra.Command {
	dam := &flagOf{name: "dam", metavar: metaText, help: "the dam's name as it stands beside the code"}
	mark := &flagOf{name: "mark", metavar: metaText, help: "the mark as it stands beside the code"}
	by := &flagOf{name: "by", metavar: metaText, help: "who takes the case over"}
	look := &flagOf{name: "look", metavar: metaSwitch, help: "only say what the code says"}
	cmd := &cobra.Command{
		Use: "code ROW ROW ROW ROW", Short: "Take over a running case by the code on another laptop's screen",
		Example: "takeover code 4T2M-8QPD-1XZ9-HH 0KS1-9WRC-70A4-2B QG5N-3VYE-M6DT-8J 7A1C-90FK-2HZB-3M --dam 'Quiet Harbour' --mark star", Args: cobra.ArbitraryArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), dam, mark, by, look)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		if len(words) == 0 {
			return refusal.New("arguments", "", "the rows of the code: four, or three of an older program")
		}
		answer := &pb.TakeOverResponse{}
		req := &pb.TakeOverRequest{Code: strings.Join(words, " "), Dam: dam.text(), Mark: mark.text(), Author: by.text(), Look: look.text() == "true"}
		if err := l.call(cmd.Context(), pb.CarryService_TakeOver_FullMethodName, req, answer); err != nil {
			return err
		}
		if l.json.text() == "true" {
			return d.object(map[string]any{"case": answer.Case, "record": answer.Record, "says": answer.Says, "cautions": answer.Cautions})
		}
		p := newPage(d.out)
		p.wrap("", "The code says of case "+line(answer.Case)+":")
		d.tellSheet(p, answer.Says)
		d.tellSheet(p, answer.Cautions)
		p.line("")
		if answer.Record == "" {
			p.wrap("", "Nothing was saved.")
			return nil
		}
		p.wrap("", "This laptop has the case now. Its records come by a link or a file; until then the code stands for them. The other laptop's alarms go on until it knows.")
		return nil
	}
	return cmd
}
