package engine

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

var pickAt = time.Date(2026, 3, 8, 2, 0, 0, 0, time.UTC)

// frozenBag expires so many days after pickAt.
func frozenBag(id string, ml, days int) PickBag {
	return PickBag{ID: id, Batch: "b" + id, VolumeMl: ml, UseBy: pickAt.AddDate(0, 0, days), State: ShelfFrozen}
}

func pick(t *testing.T, need int, bags ...PickBag) PickResult {
	t.Helper()
	r, err := Pick(PickInput{NeedMl: need, Bags: bags, At: pickAt, Until: pickAt.Add(2 * time.Hour)})
	require.NoError(t, err)
	return r
}

func TestPickOrder(t *testing.T) {
	thawed := func(b PickBag) PickBag { b.State = ShelfThawed; return b }
	batch := func(b PickBag, name string) PickBag { b.Batch = name; return b }
	away := func(b PickBag, rank int) PickBag { b.Distance = &rank; return b }
	for name, c := range map[string]struct {
		need        int
		bags        []PickBag
		want, after string
	}{
		"earliest expiry": {900, []PickBag{frozenBag("a", 950, 90), frozenBag("b", 950, 30)}, "b", "a"},
		"a thawed bag before an earlier frozen one": {900, []PickBag{frozenBag("a", 950, 3), thawed(frozenBag("b", 950, 4))}, "b", "a"},
		"an early bag that adds nothing stays":      {950, []PickBag{frozenBag("a", 250, 30), frozenBag("b", 950, 90)}, "b", ""},
		"several early bags before one late":        {950, []PickBag{frozenBag("a", 500, 30), frozenBag("b", 500, 30), frozenBag("c", 950, 90)}, "a b", "c"},
		"expiry before waste":                       {1900, []PickBag{frozenBag("a", 950, 30), frozenBag("b", 1400, 60), frozenBag("c", 950, 90)}, "a b", "a c"},
		"least waste among the same day":            {500, []PickBag{frozenBag("a", 950, 30), frozenBag("b", 550, 30), frozenBag("c", 500, 30)}, "c", "b"},
		"the same batch among equals":               {1900, []PickBag{batch(frozenBag("a", 950, 30), "X 1"), batch(frozenBag("b", 950, 30), "y"), batch(frozenBag("c", 950, 30), "x-1")}, "a c", "a b"},
		"the thawed bag's batch":                    {1900, []PickBag{frozenBag("a", 950, 30), batch(frozenBag("b", 950, 30), "x"), batch(thawed(frozenBag("c", 950, 1)), "x")}, "c b", "c a"},
		"fewest bags":                               {1000, []PickBag{batch(frozenBag("a", 500, 30), "x"), batch(frozenBag("b", 500, 30), "x"), batch(frozenBag("c", 1000, 30), "y")}, "c", "a b"},
		"nearest among equals":                      {900, []PickBag{away(frozenBag("a", 950, 30), 2), away(frozenBag("b", 950, 30), 1)}, "b", "a"},
		"the id settles it":                         {900, []PickBag{frozenBag("b", 950, 30), frozenBag("a", 950, 30)}, "a", "b"},
	} {
		r := pick(t, c.need, c.bags...)
		assert.Equal(t, c.want, strings.Join(r.Bags, " "), name)
		assert.Equal(t, c.after, strings.Join(r.RunnerUp, " "), "runner-up: %s", name)
	}
}

func TestPickLeavesOutWhatMayNotBeGiven(t *testing.T) {
	var bags []PickBag
	for _, s := range ShelfStates() {
		b := frozenBag(string(s), 950, 30)
		b.State = s
		bags = append(bags, b)
	}
	late, reacted := frozenBag("late", 950, 0), frozenBag("reacted", 950, 10)
	late.UseBy, reacted.Reacted = pickAt.Add(2*time.Hour), true
	r := pick(t, 2000, append(bags, late, reacted)...)
	assert.Equal(t, []string{"thawed", "frozen"}, r.Bags)
	assert.Equal(t, 100, r.ShortMl)
	assert.Empty(t, r.RunnerUp)
	assert.Zero(t, r.WasteMl)
	assert.Len(t, r.Excluded, 7)
	assert.Equal(t, []string{"reacted_batch_left_out", "stock_short"}, codes(r.Cautions))
	none := pick(t, 100)
	assert.Empty(t, none.Bags)
	assert.Equal(t, 100, none.ShortMl)
}

func TestPickRefusals(t *testing.T) {
	good := PickInput{NeedMl: 950, Bags: []PickBag{frozenBag("a", 950, 30)}, At: pickAt}
	r, err := Pick(good)
	require.NoError(t, err)
	assert.Equal(t, []string{"planned_end_not_given"}, codes(r.Cautions))
	for field, spoil := range map[string]func(*PickInput){
		"need_ml":           func(in *PickInput) { in.NeedMl = 0 },
		"at":                func(in *PickInput) { in.At = time.Time{} },
		"until":             func(in *PickInput) { in.Until = pickAt.Add(-time.Hour) },
		"bags":              func(in *PickInput) { in.Bags = make([]PickBag, MaxPickBags+1) },
		"bags[1].id":        func(in *PickInput) { in.Bags = append(in.Bags, in.Bags[0]) },
		"bags[0].volume_ml": func(in *PickInput) { in.Bags[0].VolumeMl = 1 },
		"bags[0].state":     func(in *PickInput) { in.Bags[0].State = "good" },
		"bags[0].distance":  func(in *PickInput) { in.Bags[0].Distance = new(-1) },
		"bags[0].use_by":    func(in *PickInput) { in.Bags[0].UseBy = time.Time{} },
	} {
		in := good
		in.Bags = slices.Clone(good.Bags)
		spoil(&in)
		_, err := Pick(in)
		refused(t, err, field)
	}
}

func TestPickNeedIsInMl(t *testing.T) {
	for _, litres := range []float64{1.9, 0.95, 19.5, -1.5, math.NaN(), math.Inf(1)} {
		_, err := PickNeed(litres)
		assert.Contains(t, refused(t, err, "need_ml").Hint, "litres?", "%v", litres)
	}
	for ml, want := range map[float64]int{899.5: 900, 20: 20, 20000: 20000} {
		got, err := PickNeed(ml)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	_, err := Pick(PickInput{NeedMl: 2, At: pickAt})
	assert.Contains(t, refused(t, err, "need_ml").Hint, "litres?")
}

// slowKey spells out a set's place in Pick's order, by the words of its rule, as
// numbers and texts to be compared from left to right; nil: not allowed.
func slowKey(all, set []PickBag, need int) []any {
	total := 0
	for _, b := range set {
		total += b.VolumeMl
	}
	for _, b := range set {
		if total-b.VolumeMl >= need {
			return nil
		}
	}
	if total < need {
		return nil
	}
	var names []string
	in := map[string][]PickBag{}
	name := func(b PickBag) string {
		return fmt.Sprintf("%t %020d", b.State != ShelfThawed, b.UseBy.Unix()) // "false" sorts first
	}
	for _, b := range all {
		names = append(names, name(b))
	}
	for _, b := range set {
		in[name(b)] = append(in[name(b)], b)
	}
	slices.Sort(names)
	names = slices.Compact(names)
	var key, costs []any
	left, seen := need, map[string]bool{}
	for _, n := range names {
		group, batches, distance := 0, 0, 0
		var ids []string
		for _, b := range in[n] {
			group += b.VolumeMl
			if !seen[b.Batch] {
				seen[b.Batch] = true
				batches++
			}
			distance += *b.Distance
			ids = append(ids, b.ID)
		}
		slices.Sort(ids)
		key = append(key, -min(group, left))
		left -= min(group, left)
		costs = append(costs, batches, len(ids), distance, strings.Join(ids, " "))
	}
	return append(append(key, total), costs...)
}

func compareKeys(a, b []any) int {
	for i := range a {
		switch x := a[i].(type) {
		case int:
			if d := x - b[i].(int); d != 0 {
				return d
			}
		case string:
			if d := strings.Compare(x, b[i].(string)); d != 0 {
				return d
			}
		}
	}
	return 0
}

// slowPick tries every set.
func slowPick(bags []PickBag, need int) (best, second []string) {
	var keys [][]any
	sets := map[int][]string{}
	var order []int
	for mask := range 1 << len(bags) {
		var set []PickBag
		var ids []string
		for i, b := range bags {
			if mask>>i&1 == 1 {
				set = append(set, b)
			}
		}
		slices.SortFunc(set, func(a, b PickBag) int {
			if a.State != b.State {
				return strings.Compare(string(b.State), string(a.State)) // thawed, frozen
			}
			if d := a.UseBy.Compare(b.UseBy); d != 0 {
				return d
			}
			return strings.Compare(a.ID, b.ID)
		})
		for _, b := range set {
			ids = append(ids, b.ID)
		}
		if key := slowKey(bags, set, need); key != nil {
			order = append(order, len(keys))
			sets[len(keys)] = ids
			keys = append(keys, key)
		}
	}
	slices.SortFunc(order, func(a, b int) int { return compareKeys(keys[a], keys[b]) })
	if len(order) > 0 {
		best = sets[order[0]]
	}
	if len(order) > 1 {
		second = sets[order[1]]
	}
	return best, second
}

func TestPickAgainstEverySet(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 11).Draw(t, "n")
		volumes := rapid.SampledFrom([][]int{{950}, {250, 500, 950}, {100, 130, 170, 200, 260, 310, 950}}).Draw(t, "volumes")
		bags := make([]PickBag, n)
		for i := range bags {
			bags[i] = PickBag{ID: fmt.Sprintf("%c", 'a'+(i*7)%26), Batch: rapid.SampledFrom([]string{"p", "q", "r"}).Draw(t, "batch"),
				VolumeMl: rapid.SampledFrom(volumes).Draw(t, "ml"), UseBy: pickAt.AddDate(0, 0, rapid.IntRange(1, 3).Draw(t, "days")),
				State: rapid.SampledFrom([]ShelfState{ShelfFrozen, ShelfFrozen, ShelfThawed}).Draw(t, "state"), Distance: new(rapid.IntRange(0, 3).Draw(t, "distance"))}
		}
		need := rapid.IntRange(leastPickMl, 3000).Draw(t, "need")
		r, err := Pick(PickInput{NeedMl: need, Bags: bags, At: pickAt, Until: pickAt.Add(time.Hour)})
		require.NoError(t, err)
		best, second := slowPick(bags, need)
		if best == nil {
			require.Positive(t, r.ShortMl)
			require.Len(t, r.Bags, n)
			return
		}
		require.Equal(t, best, r.Bags)
		require.Equal(t, strings.Join(second, " "), strings.Join(r.RunnerUp, " "))
		require.Equal(t, r.VolumeMl-need, r.WasteMl)
	})
}

func TestPickDoesNotDependOnTheOrderOfTheFile(t *testing.T) {
	bags := manyBags()
	want := pick(t, 2850, bags...)
	slices.Reverse(bags)
	got := pick(t, 2850, bags...)
	assert.Equal(t, want.Bags, got.Bags)
	assert.Equal(t, want.RunnerUp, got.RunnerUp)
}

func TestPickStockFileAndItsSchema(t *testing.T) {
	read := func(name string) []byte {
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "engine", name))
		require.NoError(t, err)
		return text
	}
	var stock PickStock
	strict := json.NewDecoder(bytes.NewReader(read("pick.example.json")))
	strict.DisallowUnknownFields()
	require.NoError(t, strict.Decode(&stock))
	r, err := Pick(PickInput{NeedMl: 1400, Bags: stock.Bags, Place: "vehicle 2", At: pickAt, Until: pickAt.Add(2 * time.Hour)})
	require.NoError(t, err)
	assert.Equal(t, []string{"B4CD-00ZS-5", "7K3M-9QXT-4"}, r.Bags, "the thawed bag, then the earliest expiry at hand")
	assert.Equal(t, 50, r.WasteMl)

	var schema struct {
		Properties struct {
			Bags struct {
				MaxItems int `json:"maxItems"`
				Items    struct {
					Properties map[string]struct {
						Enum []ShelfState `json:"enum"`
					} `json:"properties"`
				} `json:"items"`
			} `json:"bags"`
		} `json:"properties"`
	}
	require.NoError(t, json.Unmarshal([]byte(PickSchema), &schema))
	fields := schema.Properties.Bags.Items.Properties
	bag := reflect.TypeFor[PickBag]()
	assert.Len(t, fields, bag.NumField())
	for f := range bag.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		assert.Contains(t, fields, name)
	}
	assert.Equal(t, MaxPickBags, schema.Properties.Bags.MaxItems)
	assert.Equal(t, ShelfStates(), fields["state"].Enum)
}

// manyBags are 60 bags of several sizes, days, batches and places.
func manyBags() []PickBag {
	bags := make([]PickBag, 60)
	for i := range bags {
		bags[i] = frozenBag(fmt.Sprintf("bag%02d", i), []int{950, 500, 250, 1000}[i%4], 30+i/12*30)
		bags[i].Batch, bags[i].Distance = fmt.Sprint("batch", i%7), new(i%3)
	}
	return bags
}

func BenchmarkPick60(b *testing.B) {
	in := PickInput{NeedMl: 2850, Bags: manyBags(), At: pickAt, Until: pickAt.Add(time.Hour)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Pick(in); err != nil {
			b.Fatal(err)
		}
	}
}

// hardBags differ in volume and, in turn, in day and batch.
func hardBags(n, days int, oneBatch bool) []PickBag {
	bags := make([]PickBag, n)
	for i := range bags {
		bags[i] = frozenBag(fmt.Sprintf("bag%03d", i), 401+(i*37)%997, 30+i%days)
		if oneBatch {
			bags[i].Batch = "x"
		}
	}
	return bags
}

// The worst cases found: as many bags as are compared, all volumes unlike, and as
// much needed as may be asked for.
func BenchmarkPickWorst(b *testing.B) {
	for _, days := range []int{1, 2, 5, PickCandidates} {
		for _, oneBatch := range []bool{true, false} {
			in := PickInput{NeedMl: maxPickMl, Bags: hardBags(PickCandidates, days, oneBatch), At: pickAt, Until: pickAt.Add(time.Hour)}
			b.Run(fmt.Sprintf("days=%d,one_batch=%t", days, oneBatch), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Pick(in); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func TestPickOfManyBagsComparesTheFirstToBeUsed(t *testing.T) {
	many := make([]PickBag, 200)
	for i := range many {
		many[i] = frozenBag(fmt.Sprintf("bag%03d", i), 950, 200-i)
	}
	r := pick(t, 1900, many...)
	assert.Equal(t, []string{"bag199", "bag198"}, r.Bags)
	assert.Equal(t, []string{"pick_compared_some"}, codes(r.Cautions))
	assert.NotContains(t, codes(pick(t, 1900, many[:PickCandidates]...).Cautions), "pick_compared_some")

	// Small bags that expire first must not hide the large ones that hold the need.
	for i := range many[100:] {
		many[100+i].VolumeMl = 20
	}
	r = pick(t, 5000, many...)
	assert.Zero(t, r.ShortMl)
	assert.Len(t, r.Bags, 6)

	for i := range many {
		many[i].State = ShelfOnHold
	}
	r = pick(t, 900, many...)
	assert.Len(t, r.Excluded, 200)
	assert.Less(t, len(r.Steps), 20, "the steps stay readable")
}
