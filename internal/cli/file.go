package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/files"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	"thawtrail/internal/wholefile"
)

// fileCommand writes a list as a file that people use. The file is in clear.
func (d *console) fileCommand() *cobra.Command {
	var names []string
	for _, l := range files.Lists() {
		names = append(names, l.Name)
	}
	out := &flagOf{name: "out", metavar: "FILE", help: "where it is written, readable to this user alone; - prints it", required: true}
	as := &flagOf{name: "as", metavar: "FORM", help: "csv, jsonl (one JSON object a line) or xlsx (a workbook); csv when left out"}
	schema := &flagOf{name: "schema", metavar: metaSwitch, help: "print the JSON Schema of its lines instead"}
	filters := []*flagOf{
		{name: "from", metavar: "TEXT", help: "first day or month"}, {name: "to", metavar: "TEXT", help: "last day or month; the same as --from when left out"},
		{name: "place", metavar: "TEXT", help: "only this place"}, {name: "product", metavar: "TEXT", help: "only this product"},
		{name: "person", metavar: "TEXT", help: "only what this person did"}, {name: "yard", metavar: "TEXT", help: "only yards whose name holds this"},
		{name: "kind", metavar: "TEXT", help: "only this kind"}, {name: "by", metavar: "TEXT", help: "of use: month, place, product or person"},
	}
	cmd := &cobra.Command{
		Use: "file LIST --out FILE", Short: "Write a list as a file: " + strings.Join(names, ", "), Example: "audit file plasma --from 2026-11 --as xlsx --out november.xlsx",
		Args: oneWord("a list: " + strings.Join(names, ", ")), DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), append([]*flagOf{out, as, schema}, filters...)...)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error {
		list, err := files.Find(words[0])
		if err != nil {
			return err
		}
		if schema.text() == "true" {
			d.printf("%s", list.Schema())
			return nil
		}
		if out.text() == "" {
			return refusal.New("out", "", "--out FILE: "+out.help)
		}
		return d.writeList(cmd.Context(), l, list, as.text(), out.text(), filters)
	}
	return cmd
}

func (d *console) writeList(ctx context.Context, l *link, list files.List, as, path string, filters []*flagOf) error {
	if as == "" {
		as = string(files.CSV)
	}
	form, err := files.FormatOf(as)
	if err != nil {
		return err
	}
	opt := files.Options{Filters: map[string]string{}, Mark: func() string {
		if d.rehearsal {
			return say.Text("rehearsal.mark")
		}
		return ""
	}}
	for _, f := range filters {
		opt.Filters[f.name] = f.text()
	}
	rows := 0
	write := func(w io.Writer) (err error) {
		rows, err = list.Write(ctx, form, opt, l.call, w)
		return err
	}
	if path == "-" {
		return write(d.printed.to) // its bytes as they are: it is no text for a terminal
	}
	if err := wholefile.Fill(path, write); err != nil {
		return err
	}
	if l.json.text() == "true" {
		return d.object(map[string]any{"list": list.Name, "rows": rows, "file": path})
	}
	newPage(d.out).wrap("", count(rows, "row")+" written to "+line(path)+", in clear.")
	return nil
}
