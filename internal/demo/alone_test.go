package demo

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAloneFromTheFirstStart does every step of the job with the real commands on
// a laptop that has no server and never had one.
func TestAloneFromTheFirstStart(t *testing.T) {
	a := startAlone(t)
	typed := map[string]bool{}
	var names []string
	// do types a command; capitals such as CASE stand for ids that were made.
	do := func(text string) (string, []string) {
		t.Helper()
		words := split(strings.NewReplacer(names...).Replace(text))
		typed[commandOf(t, words)] = true
		return a.wrote(words...)
	}
	name := func(n, value string) { names = append(names, n, value) }

	do("practice found --name 'Alder Creek Equine' --zone Australia/Sydney --currency AUD --owner-name 'M. Alder'")
	_, made := do("person add --name 'J. Reed'")
	name("REED", made[0])
	grant, _ := do("role grant REED --roles vet --roles clinic --by 'M. Alder'")
	name("GRANT", grant)
	by := " --by 'M. Alder'"
	do("practice change --currency NZD --reason 'moved over the sea'" + by)
	do("vehicle add --name 'north car'" + by)
	do("place add --name 'clinic freezer' --kind freezer" + by)
	do("place add --name 'north freezer' --kind vehicle_freezer" + by)
	do("place add --name 'clinic fridge' --kind fridge" + by)
	do("product card --name 'Foal plasma' --maker 'Wattle Biologics' --route vein --volume-ml 950" + by)
	do("protocol set --name 'newborn foal' --ceiling-ml-per-kg-per-h 20" + by)
	do("setting recheck_hours 24" + by)
	do("person telephone REED --telephone '0491 570 157'" + by)
	do("donor add --name Bess --igg-g-per-l 18" + by)
	_, made = do("client add --name 'P. Hollis' --telephone '0491 570 156'" + by)
	name("CLIENT", made[0])

	do("product gtin Foal 09501101530003" + by)
	_, bags := do("receive --product Foal --batch H2207 --expiry 2099-03 --volume-ml 950 --count 9 --place 'clinic freezer'" + by)
	for i, n := range []string{"BAG0", "BAG1", "BAG2", "BAG3", "BAG4", "BAG5", "BAG6", "BAG7", "BAG8"} {
		name(n, bags[i])
	}
	do("bag opening --product Foal --batch H2199 --expiry 2099-01 --volume-ml 950 --count 2 --place 'clinic freezer'" + by)
	do("found --product Foal --batch H2231 --expiry 2099-03 --volume-ml 950 --place 'north freezer'" + by)
	do("move BAG0 BAG1 BAG2 --to 'north freezer'" + by)
	do("count 'north freezer' --seen BAG0 --seen BAG1 --seen BAG2" + by)
	do("temp 'north freezer' --now-c -19,5" + by)
	warm, _ := do("place warm 'north freezer' --from -5h --to -4h" + by)
	name("WARM", warm)
	do("bag decide BAG0 BAG1 --warm WARM --reason 'stayed solid'" + by)
	do("bag missing BAG3" + by)
	do("bag lend BAG4 --to-practice 'Hill Road Equine'" + by)
	do("bag softened BAG5 --reason 'lid left open'" + by)
	do("bag refrozen BAG5" + by)
	do("discard BAG5 --reason too_warm" + by)
	do("bag return BAG6 --to maker" + by)
	do("bag keep BAG7 --reason 'odd colour'" + by)
	do("kit stock 'north freezer' filtered_set 4" + by)
	do("kit count 'north freezer' filtered_set 4" + by)

	_, made = do("open foal --dam 'Quiet Harbour' --sex filly --colour bay --markings star --box 4 --born -16h --client CLIENT --clock-right --by REED")
	name("CASE", made[0])
	for _, text := range []string{
		"risk CASE no no no no", "exam CASE --temp-c 38,4 --heart 98 --breaths 34", "weigh CASE 52 --how scale",
		"colostrum CASE --source dam --volume-ml 300 --brix 24", "igg CASE --kind 'barn immunoassay' --igg-mg-per-dl 540",
		"referral CASE declined --client 'P. Hollis'", "agree CASE --amount 980 --client 'P. Hollis' --how 'in person'",
		"crossmatch CASE BAG0 --minor compatible", "food CASE out", "bag carry BAG0 --case CASE --coolant dry_ice --minutes 90 --feel hard",
		"accept CASE dose 950 --bag BAG0", "check bath CASE BAG0 --all", "thaw BAG0 --case CASE --bath-c 37", "bath BAG0 34.5",
		"thawed BAG0 --bag-c 33", "catheter in CASE 16 'left jugular'", "vitals CASE --baseline --temp-c 38.4 --heart 98 --breaths 34",
		"check hang CASE BAG0 --all", "set BAG0 --case CASE", "start CASE BAG0", "rate CASE 78 --slow",
		"vitals CASE --temp-c 38.4 --heart 99 --breaths 35 --given-ml 25", "rate CASE 832", "clamp CASE --given-ml 120", "reaction CASE --sign hives", "reaction detail CASE allergic --grade mild --onset-ml 120",
		"drug CASE adrenaline --dose-mg 0.5 --strength-mg-per-ml 1 --route vein", "resume CASE", "fluid CASE 'lactated Ringer' 500",
		"handover CASE --to REED --given-ml 400", "takeover CASE", "finish CASE BAG0 940", "check hang CASE BAG1 --all", "start CASE BAG1", "stop CASE BAG1 200 --reason hives",
		"follow CASE next_bag --reason 'the vet stops here'", "bag torn BAG1 --again BAG1", "catheter out CASE", "kit use 'north freezer' filtered_set 1 --case CASE", "recheck plan CASE --person REED",
		"recheck CASE --kind 'barn immunoassay' --igg-g-per-l 8,4", "adverse CASE reaction", "adverse report CASE reaction --to maker",
		"adverse detail CASE --kind animal --breed thoroughbred",
		"note case CASE --text 'mare kicks'", "close CASE well", "charge add CASE visit --price 150 --reason 'came back'", "charge change CASE bag/BAG0 --price 280 --reason 'half of it ran'",
		"charge off CASE bag/BAG1 --reason 'stopped at once'", "charge explain CASE --text 'a second bag'",
	} {
		if strings.HasPrefix(text, "clamp ") { // no hand is free to say who writes
			clamp, _ := do(text)
			do("sign " + clamp + " --by REED")
			continue
		}
		do(text + " --by REED")
	}
	_, made = do("open foal --dam 'Quiet Harbour' --sex filly --by REED --clock-right")
	name("OTHER", made[0])
	do("link case CASE OTHER --reason 'one foal' --by REED")
	do("unlink case CASE OTHER --reason 'two foals after all' --by REED")
	hold, _ := do("batch hold H2207 --product Foal --reason 'maker called' --by REED")
	name("HOLD", hold)
	do("batch release H2207 --product Foal --hold HOLD --reason 'cleared' --by REED")
	recall, _ := do("batch recall H2207 --product Foal --reason 'maker recall' --by REED")
	name("RECALL", recall)
	do("bag pull BAG2 --text 'red box in the clinic' --by REED")
	do("client call CASE --reached --text 'foal is well' --by REED")
	do("price set bag 380,50 --product Foal --by 'M. Alder'")
	do("price tax GST 10 --by 'M. Alder'")
	do("charge invoiced CASE 2026-114 --by 'M. Alder'")
	do("month close 2026-01 --by 'M. Alder'")
	do("bag order --product Foal --count 6 --supplier 'Wattle Biologics' --by REED")
	do("mare due 'Quiet Harbour' --no-longer foaled --breed thoroughbred --place 'north freezer' --by REED")
	do("correct RECALL --void --reason 'typed on the wrong batch' --by REED")
	do("explain refrozen bag BAG5 --text 'thrown away' --by REED")
	require.Contains(t, a.types("client", "list", "--text", "hollis"), "0491 570 156")
	require.Contains(t, a.types("client", "show", "P. Hollis"), "Quiet Harbour")
	require.Contains(t, a.types("horse", "quiet harbour"), "P. Hollis")
	do("client forget 'P. Hollis' --reason 'asked for' --by 'M. Alder'")
	require.NotContains(t, a.types("client", "list"), "Hollis")
	require.Contains(t, a.types("person", "end", "J. Reed", "--reason", "left the practice", "--by", "M. Alder"), "1 grant of roles")
	do("role grant REED --roles vet --by 'M. Alder'")
	do("rights revoke --grant GRANT --reason 'left the practice' --by 'M. Alder'")

	for _, question := range []string{
		"stock", "stock --all", "stock levels", "bag show BAG0", "batch list", "product list", "place list", "place show 'north freezer'", "choose --need-ml 900", "cases",
		"case CASE", "adverse sheet CASE", "now", "discrepancies", "digest", "status", "record HOLD", "people", "audit affected engine-1", "audit use", "price list", "charge show CASE", "audit charges", "audit charged",
	} {
		require.NotEmpty(t, a.types(split(strings.NewReplacer(names...).Replace(question))...))
	}
	require.Contains(t, a.types("stock"), "works alone")
	require.Contains(t, a.types("page"), "barn  http://127.0.0.1:")
	sheet := a.types("case", strings.NewReplacer(names...).Replace("CASE"))
	require.Contains(t, sheet, "1140 mL plasma")
	for command := range entryCommands() {
		assert.True(t, typed[command] || command == "rights admit", "%q was not tried", command)
	}
}

// entryCommands are all commands that people have to enter something, with their
// shorter words.
func entryCommands() map[string][]string {
	commands := map[string][]string{}
	body := (&pb.Entry{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range body.Len() {
		if rule, ok := proto.GetExtension(body.Get(i).Options(), pb.E_Event).(*pb.EventRule); ok && !rule.GetInternal() {
			commands[rule.GetCommand()] = append(rule.GetAliases(), rule.GetCommand())
		}
	}
	return commands
}

// commandOf finds which entry command a line types: the longest that fits.
func commandOf(t *testing.T, words []string) (command string) {
	t.Helper()
	longest := 0
	for name, ways := range entryCommands() {
		for _, way := range ways {
			if n := len(way); n > longest && strings.HasPrefix(strings.Join(words, " ")+" ", way+" ") {
				command, longest = name, n
			}
		}
	}
	require.NotEmpty(t, command, "%q", words)
	return command
}

// split parts a line at spaces; 'text in quotes' is one word.
func split(line string) []string {
	var words []string
	for i, part := range strings.Split(line, "'") {
		if i%2 == 1 {
			words = append(words, part)
			continue
		}
		words = append(words, strings.Fields(part)...)
	}
	return words
}
