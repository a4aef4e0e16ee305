package words_test

import (
	"fmt"

	"thawtrail/internal/web/words"
)

func Example() {
	fmt.Println(words.Say("who.switched", "A. <Vet>"))
	fmt.Println(words.HTML("who.switched", "A. <Vet>"))
	fmt.Println(words.List("step.weigh"))
	fmt.Println(words.Num(52.500), words.Tenths(383), words.BagNumber("7K2M4Q9XD"))
	// Output:
	// A. <Vet> writes here from now on, known by PIN.
	// A. &lt;Vet&gt; writes here from now on, known by PIN.
	// [Weight Weigh the patient]
	// 52.5 38.3 7K2M-4Q9X-D
}
