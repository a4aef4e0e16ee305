package cli

import (
	"cmp"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// The groups of the root help, with the first words of their commands in the
// order in which they are read.
var groups = []struct {
	title string
	words []string
}{
	{"Stock", []string{"stock", "bag", "batch", "place", "product", "kit", "choose", "mare"}},
	{"Case", []string{
		"now", "cases", "case", "open", "risk", "exam", "weigh", "igg", "crossmatch", "colostrum", "food", "referral", "agree", "accept",
		"check", "catheter", "thaw", "bath", "thawed", "set", "start", "rate", "vitals", "reaction", "drug", "fluid",
		"clamp", "resume", "stop", "finish", "handover", "takeover", "follow", "recheck", "adverse", "close",
	}},
	{"Plan", []string{"plan", "label"}},
	{"Clinic and owner", []string{
		"practice", "person", "people", "role", "rights", "setting", "month", "price", "charge", "protocol", "vehicle", "donor", "client", "horse", "import",
		"note", "link", "unlink", "correct", "sign", "discrepancies", "explain", "audit", "caution",
	}},
	{"Program", []string{"agent", "server", "service", "page", "backup", "restore", "books", "passphrase", "pin", "switch", "phone", "status", "digest", "record", "verify", "losses", "doctor", "keys", "rehearse", "demo", "bench", "config", "version", "completion"}},
}

// families say what a word stands for that has commands below it.
var families = map[string]string{
	"adverse":  "Adverse events",
	"audit":    "Questions of the owner: use, waste, cost, proof, what relied on what",
	"bag":      "Bags: take in, carry, look up, throw away",
	"batch":    "Batches: hold, release, recall, list",
	"books":    "All records in a file, to be carried by hand",
	"keys":     "Keys of private words",
	"catheter": "Catheters in and out",
	"caution":  "The fixed list of cautions",
	"check":    "The two checks: before the water bath, and before the set goes in",
	"client":   "The horses' owners and agents",
	"donor":    "Donors of plasma the practice makes",
	"kit":      "Sets, catheters, drugs and the like",
	"label":    "Read what is printed on a bag or held in a chip",
	"person":   "People of the practice",
	"phone":    "Phones at a laptop, browsers at the clinic's server: pair, list, shut out",
	"pin":      "PINs of the people who share this machine",
	"mare":     "Mares that are due",
	"month":    "Months of the books",
	"price":    "The practice's price list",
	"charge":   "What is charged for a case",
	"place":    "Freezers, fridges and shelves, in the clinic and in cars",
	"plan":     "Arithmetic: dose, thaw, drip, shelf; needs no agent",
	"practice": "The practice itself",
	"product":  "Products and their label cards",
	"protocol": "The practice's own numbers for treating",
	"recheck":  "IgG after plasma",
	"rights":   "Rights of laptops and people",
	"role":     "Roles of people",
	"service":  "Agent or server as a service of this machine",
	"vehicle":  "Vehicles",
}

const overview = `thawtrail follows frozen plasma from the clinic's freezer to a foal's vein and
into the books, with or without a network. It advises and records; the label,
local law and the treating vet decide.

  thawtrail now                       what runs and what is due
  thawtrail stock                     what lies where
  thawtrail open foal --dam NAME      begin a case
  thawtrail plan dose --help          how much plasma

  thawtrail --help                    all commands
`

// root builds the whole tree anew.
func (d *console) root() *cobra.Command {
	root := &cobra.Command{
		Use: "thawtrail", Short: "Frozen plasma for horses, from freezer to vein to books",
		SilenceErrors: true, SilenceUsage: true, Args: cobra.ArbitraryArgs, DisableAutoGenTag: true,
	}
	root.RunE = func(cmd *cobra.Command, words []string) error {
		if len(words) > 0 {
			return unknownWord(cmd, words[0])
		}
		d.printf("%s", overview)
		return nil
	}
	root.Version = replica.Version
	root.SetVersionTemplate(programLine() + "\n")
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) { d.help(cmd) })
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error { return flagError(cmd.CommandPath(), err) })
	root.SetHelpCommand(&cobra.Command{Use: "help", Hidden: true, Args: cobra.ArbitraryArgs, RunE: func(cmd *cobra.Command, words []string) error {
		found, rest, err := root.Find(words)
		if err != nil || len(rest) > 0 {
			return unknownWord(root, strings.Join(words, " "))
		}
		d.help(found)
		return nil
	}})
	root.AddGroup(cobraGroups()...)
	d.addAll(&tree{root: root})
	describeCompletion(root)
	return root
}

// describeCompletion gives the library's completion command our words.
func describeCompletion(root *cobra.Command) {
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		if c.Name() != "completion" {
			continue
		}
		c.Short, c.GroupID = "Make the shell complete commands and flags", groupOf(c.Name())
		for _, shell := range c.Commands() {
			shell.Short = "Print the script for " + shell.Name()
			shell.Example = "completion " + shell.Name()
			shell.DisableFlagsInUseLine = true
		}
	}
}

func cobraGroups() []*cobra.Group {
	out := make([]*cobra.Group, len(groups))
	for i, g := range groups {
		out[i] = &cobra.Group{ID: g.title, Title: g.title}
	}
	return out
}

// addAll puts every command into the tree, single words first so that families
// can grow below them.
func (d *console) addAll(t *tree) {
	type entry struct {
		words string
		cmd   *cobra.Command
	}
	var all []entry
	add := func(cmd *cobra.Command, words string, aliases ...string) {
		for _, alias := range aliases {
			hidden := *cmd
			hidden.Hidden, hidden.Use = true, alias+strings.TrimPrefix(cmd.Use, lastWord(words))
			all = append(all, entry{alias, &hidden})
		}
		if len(aliases) > 0 {
			cmd.Annotations[noteAlso] = strings.Join(aliases, ", ")
		}
		all = append(all, entry{words, cmd})
	}
	for _, spec := range entrySpecs() {
		add(d.entryCommand(spec), spec.Rule.Command, spec.Rule.GetAliases()...)
	}
	for _, m := range methods(planService) {
		add(d.planCommand(m), commandRule(m).Use, commandRule(m).GetAliases()...)
	}
	for _, s := range queryServices {
		for _, m := range methods(protoName(s)) {
			add(d.queryCommand(m), commandRule(m).Use, commandRule(m).GetAliases()...)
		}
	}
	for _, own := range d.ownCommands() {
		add(own.cmd, own.words)
	}
	slices.SortStableFunc(all, func(a, b entry) int {
		return cmp.Compare(strings.Count(a.words, " "), strings.Count(b.words, " "))
	})
	for _, e := range all {
		t.put(e.words, e.cmd)
	}
}

var planService = protoName(pb.PlanService_ServiceDesc.ServiceName)

// tree places commands by their words.
type tree struct{ root *cobra.Command }

func (t *tree) put(words string, cmd *cobra.Command) {
	parent := t.root
	path := strings.Fields(words)
	for _, word := range path[:len(path)-1] {
		parent = family(parent, word)
	}
	if parent == t.root {
		cmd.GroupID = groupOf(cmd.Name())
	}
	parent.AddCommand(cmd)
}

// family finds the command of a word, or makes one that only has others below.
func family(parent *cobra.Command, word string) *cobra.Command {
	for _, c := range parent.Commands() {
		if c.Name() == word {
			return c
		}
	}
	c := &cobra.Command{Use: word, Short: families[word], Args: cobra.ArbitraryArgs, GroupID: groupOf(word)}
	c.RunE = func(cmd *cobra.Command, words []string) error {
		if len(words) > 0 {
			return unknownWord(cmd, words[0])
		}
		return cmd.Help()
	}
	parent.AddCommand(c)
	return c
}

func groupOf(word string) string {
	for _, g := range groups {
		if slices.Contains(g.words, word) {
			return g.title
		}
	}
	return ""
}

// unknownWord refuses a word that is no command and names near ones.
func unknownWord(cmd *cobra.Command, word string) error {
	r := refusal.New("command", word, "a command that `"+cmd.CommandPath()+" --help` lists")
	if len(word) <= input.LongestText {
		if names := near(cmd, word); len(names) > 0 {
			r = r.Because("did you mean " + strings.Join(names, " or ") + "?")
		}
	}
	return r
}

func lastWord(words string) string { return words[strings.LastIndex(words, " ")+1:] }

// newCommand is a command with its own flags and its help; the caller adds the
// common flags and what it does.
func newCommand(f *form, words, short, example string) *cobra.Command {
	cmd := &cobra.Command{
		Use: f.useLine(lastWord(words)), Short: short, Example: example, Args: cobra.ArbitraryArgs,
		Annotations: map[string]string{noteArgs: f.argHelp()}, DisableFlagsInUseLine: true,
	}
	f.bind(cmd.Flags())
	f.completeWords(cmd)
	return cmd
}

// completeWords lets the shell complete the words of lists.
func (f *form) completeWords(cmd *cobra.Command) {
	for _, flag := range f.flags {
		if words := wordsOf(flag.field); words != nil {
			_ = cmd.RegisterFlagCompletionFunc(flag.name, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
		}
	}
	cmd.ValidArgsFunction = func(_ *cobra.Command, typed []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(typed) < len(f.args) {
			return wordsOf(f.args[len(typed)]), cobra.ShellCompDirectiveNoFileComp
		}
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
}

// wordsOf are the words that a field takes, when it takes words.
func wordsOf(field protoreflect.FieldDescriptor) []string {
	if field == nil || field.Kind() != protoreflect.EnumKind {
		return nil
	}
	return strings.Split(event.EnumWords(field.Enum()), ", ")
}
