package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/intake"
	"thawtrail/internal/refusal"
	"thawtrail/internal/sheet"
	pb "thawtrail/proto/thawtrail/v1"
)

// importForm is the command that takes a table in.
type importForm struct {
	kind, place, save, by, pin *flagOf
	link                       *link
}

// importCommand takes the rows of a table into the books, all or none.
func (d *console) importCommand() *cobra.Command {
	f := &importForm{
		kind:  &flagOf{name: "kind", metavar: "WORD", help: "what its rows are: " + intake.Words(), required: true},
		place: &flagOf{name: "place", metavar: metaText, help: "of temperatures: where the logger lay"},
		save:  &flagOf{name: "save", metavar: metaSwitch, help: "take them in, all or none; without it each row's fate is shown, and nothing is saved"},
		by:    &flagOf{name: "by", metavar: metaText, help: "entered by: the person's name"},
		pin:   &flagOf{name: "pin-file", metavar: "FILE", help: "a file with your PIN, for what asks for it"},
	}
	cmd := &cobra.Command{
		Use: "import FILE --kind WORD", Short: "Take a list in: stock that is there, mares that are due, clients, or what a temperature logger read", Example: "import freezer.csv --kind stock",
		Args: oneWord("one file: text (CSV) or a workbook (.xlsx)"), DisableFlagsInUseLine: true, Annotations: map[string]string{noteArgs: importHelp()},
	}
	bindFlags(cmd.Flags(), f.kind, f.place, f.save)
	cmd.Flags().Lookup("save").NoOptDefVal = "true"
	bindCommon(cmd.Flags(), f.by, f.pin)
	f.link = d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) error { return d.importFile(cmd.Context(), f, words[0]) }
	return cmd
}

// importHelp lists the columns of each kind.
func importHelp() string {
	lines := []string{"FILE\ttext in UTF-8 whose values part at commas, semicolons or tabs, or the first sheet of a workbook (.xlsx); its first row names the columns"}
	for _, k := range intake.Kinds {
		needed, more := k.Names()
		lines = append(lines, k.Word+"\tcolumns "+strings.Join(needed, ", ")+"; and if there: "+strings.Join(more, ", "))
	}
	return strings.Join(append(lines, intake.Logger.Word+"\t"+intake.LoggerHelp), "\n")
}

func (d *console) importFile(ctx context.Context, f *importForm, path string) error {
	if !f.kind.given() {
		return refusal.New("kind", "", "--kind WORD: "+f.kind.help)
	}
	kind, err := intake.KindOf(f.kind.text())
	if err != nil {
		return err
	}
	if logged := kind == intake.Logger; logged != (f.place.text() != "") {
		return refusal.New("place", f.place.text(), "where the logger lay, with temperatures; nothing with other lists")
	}
	f.link.inPracticeZone(ctx, true)
	lines, err := d.linesOf(kind, path, f.place.text())
	if err != nil {
		return err
	}
	b, err := d.foretell(ctx, f, kind, lines)
	if err != nil {
		return err
	}
	return d.tellImport(f, b)
}

// linesOf reads a file as lines of a kind.
func (d *console) linesOf(kind *intake.Kind, path, place string) ([]intake.Line, error) {
	raw, err := d.read(path, sheet.MaxBytes)
	if err != nil {
		return nil, refusal.New("file", path, "a file that can be read").Because(refusal.Shorten(err.Error()))
	}
	return kind.Read(raw, place, d.clock())
}

// foretell asks what becomes of each row, and has all of them saved where that is wanted and
// each can be.
func (d *console) foretell(ctx context.Context, f *importForm, kind *intake.Kind, lines []intake.Line) (*intake.Batch, error) {
	named := func(kind, text string) (string, error) { return f.link.nameOf(ctx, kind, text) }
	there := func(name string) string {
		return fmt.Sprintf("there is a client %q; `client add` enters another of that name", name)
	}
	b, err := kind.BatchOf(lines, &pb.WriteRequest{Author: f.by.text()}, f.save.given(), named, there)
	if err != nil || len(b.Ask.Entries) == 0 {
		return b, err
	}
	if err := d.proveImport(ctx, f, kind, b.Ask); err != nil {
		return nil, err
	}
	answer := &pb.WriteAllResponse{}
	if err := f.link.call(ctx, pb.RecordService_WriteAll_FullMethodName, b.Ask, answer); err != nil {
		return nil, err
	}
	b.Take(answer)
	return b, nil
}

// proveImport has one PIN prove all entries, where one is asked for.
func (d *console) proveImport(ctx context.Context, f *importForm, kind *intake.Kind, ask *pb.WriteAllRequest) (err error) {
	if ask.DryRun {
		return nil
	}
	first := ask.Entries[0]
	if f.pin.given() {
		first.Pin, err = d.secretText(f.pin, "")
	} else {
		err = f.link.askPIN(ctx, kind.Spec(), first)
	}
	for _, e := range ask.Entries {
		e.Pin = first.Pin
	}
	return err
}

// nameOf is the whole name of whom the books know by a text; nothing, where they know nobody.
func (l *link) nameOf(ctx context.Context, kind, text string) (string, error) {
	found := &pb.ResolveResponse{}
	err := l.call(ctx, pb.RecordService_Resolve_FullMethodName, &pb.ResolveRequest{Kind: kind, Text: text}, found)
	if code := status.Code(err); code == codes.InvalidArgument || code == codes.FailedPrecondition {
		return "", nil
	}
	return found.Name, err
}

// tellImport prints what becomes of each row, and fails where one of them kept all from being
// saved.
func (d *console) tellImport(f *importForm, b *intake.Batch) error {
	if f.link.json.text() == "true" {
		if err := d.object(map[string]any{"rows": b.Rows, "saved": b.Count(intake.Saved)}); err != nil {
			return err
		}
	} else {
		d.printImport(b)
	}
	if refused := b.Count(intake.NotSaved); refused > 0 {
		return fmt.Errorf("nothing was saved: %d of %s cannot be taken in as they stand", refused, count(len(b.Rows), "row"))
	}
	return nil
}

func (d *console) printImport(b *intake.Batch) {
	p := newPage(d.out)
	for _, r := range b.Rows {
		p.hang(fmt.Sprintf("row %-5d", r.Row), "         ", r.Fate+": "+r.Text)
		for _, c := range r.Cautions {
			p.wrap("         ", "Caution. "+c)
		}
	}
	p.blank()
	there := b.Count(intake.There)
	switch would := b.Count(intake.Would); {
	case b.Count(intake.NotSaved) > 0:
	case would > 0:
		p.wrap("", fmt.Sprintf("%s would be saved, %d already there. Nothing was saved yet: the same with --save takes them in.", count(would, "row"), there))
	default:
		p.wrap("", fmt.Sprintf("%s saved, %d already there.", count(b.Count(intake.Saved), "row"), there))
	}
}
