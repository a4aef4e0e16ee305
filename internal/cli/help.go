package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
)

// Notes on commands and flags that only the help reads.
const (
	noteArgs   = "args"   // lines 'WORD<tab>help'
	noteAlso   = "also"   // shorter words for the same command
	noteCommon = "common" // a flag that many commands share
)

func protoName(s string) protoreflect.FullName { return protoreflect.FullName(s) }

// argHelp lists the arguments with their help.
func (f *form) argHelp() string {
	var lines []string
	for _, a := range f.args {
		rule := event.RuleOf(a)
		lines = append(lines, argWord(a)+"\t"+rule.Help)
	}
	return strings.Join(lines, "\n")
}

// help prints the help of any command.
func (d *console) help(cmd *cobra.Command) {
	p := newPage(d.out)
	if !cmd.HasParent() {
		d.rootHelp(p, cmd)
		return
	}
	p.wrap("", cmd.Short+".")
	if cmd.Example != "" {
		p.blank()
		p.hang("  ", "      ", cmd.UseLine())
	}
	for _, alias := range alsoOf(cmd) {
		p.line("  also: thawtrail " + alias)
	}
	if cmd.Example != "" {
		p.blank()
		p.line("For example")
		p.hang("  ", "      ", "thawtrail "+cmd.Example)
	}
	for _, s := range helpSections(cmd) {
		p.blank()
		p.line(s.title)
		p.pairs(s.pairs)
	}
	if below := visible(cmd.Commands()); len(below) > 0 {
		p.blank()
		p.line("Commands, after " + cmd.CommandPath())
		p.pairs(commandPairs(below))
	}
}

func visible(all []*cobra.Command) []*cobra.Command {
	return slices.DeleteFunc(slices.Clone(all), func(c *cobra.Command) bool { return c.Hidden })
}

func commandPairs(cmds []*cobra.Command) [][2]string {
	var pairs [][2]string
	for _, c := range cmds {
		pairs = append(pairs, [2]string{c.Name(), c.Short})
	}
	return pairs
}

// alsoOf are the shorter words for a command.
func alsoOf(cmd *cobra.Command) []string {
	if cmd.Annotations[noteAlso] == "" {
		return nil
	}
	return strings.Split(cmd.Annotations[noteAlso], ", ")
}

// helpSection is a heading with what stands below it.
type helpSection struct {
	title string
	pairs [][2]string
}

// helpSections are a command's arguments and flags, its own before the common ones.
func helpSections(cmd *cobra.Command) (out []helpSection) {
	var own, common [][2]string
	for _, l := range strings.Split(cmd.Annotations[noteArgs], "\n") {
		if word, help, ok := strings.Cut(l, "\t"); ok {
			own = append(own, [2]string{word, help})
		}
	}
	cmd.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if f.Name == "help" {
			return
		}
		name := "--" + f.Name
		if f.NoOptDefVal == "" {
			name += " " + f.Value.Type()
		}
		if _, ok := f.Annotations[noteCommon]; ok {
			common = append(common, [2]string{name, f.Usage})
		} else {
			own = append(own, [2]string{name, f.Usage})
		}
	})
	for _, s := range []helpSection{{"What to type", own}, {"With any such command", common}} {
		if len(s.pairs) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// commandGroup is a group of commands, in the order in which they are read.
type commandGroup struct {
	title string
	cmds  []*cobra.Command
}

func grouped(root *cobra.Command) (out []commandGroup) {
	for _, g := range groups {
		var cmds []*cobra.Command
		for _, c := range visible(root.Commands()) {
			if c.GroupID == g.title {
				cmds = append(cmds, c)
			}
		}
		slices.SortFunc(cmds, func(a, b *cobra.Command) int {
			return cmp.Compare(slices.Index(g.words, a.Name()), slices.Index(g.words, b.Name()))
		})
		out = append(out, commandGroup{g.title, cmds})
	}
	return out
}

// rootHelp lists the commands by group.
func (d *console) rootHelp(p *page, root *cobra.Command) {
	p.line(root.Short + ".")
	for _, g := range grouped(root) {
		p.blank()
		p.line(g.title)
		p.pairs(commandPairs(g.cmds))
	}
	p.blank()
	p.wrap("", "`thawtrail COMMAND --help` explains a command and shows an example. Numbers take a decimal point or a comma; times read 02:10, '2026-11-24 02:10' or -20m. The agent asked is "+fmt.Sprintf("%s (%s or --at).", d.address, envAddress))
}

// runes is the width of a text on the screen.
func runes(s string) int { return utf8.RuneCountInString(s) }
