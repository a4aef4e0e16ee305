// Package engine is the arithmetic of plasma treatment: pure functions, no
// clock, no input or output, no goroutine, no randomness.
//
// Every function takes one input struct and returns one result struct or a
// *refusal.Error. Each result embeds a Basis: the cautions, the steps of the
// arithmetic with the numbers filled in (so that a vet can check it on paper),
// the sources of every constant, and the version of the formula. Units stand in
// every field name. The engine advises; the product's label and the treating
// vet decide.
//
// # Bounds of inputs
//
// Every number has a hard range, outside of which it is refused with its field,
// its value, the range and the likely slip, and most have a plausible range,
// outside of which the answer carries a caution. The ranges stand beside the plan
// that reads them, in variables called bounds…; where no source is named there
// they are ours.
//
// # Where the models miss
//
// Each line is a test over testdata/engine or in this package; no constant was
// tuned to shorten the list.
//
//   - Dose. 20 g of IgG in six colostrum-deprived foals, 30 g in four (Liu et al.,
//     Am J Vet Res 1991): both means and all ten foals inside the predicted range,
//     above its middle. Plasma in 23 foals of mixed health (J Equine Vet Sci 2022,
//     doi 10.1016/j.jevs.2022.104093): the mean rise for each gram is 0.04 g/L above
//     our high end of 0.26 at 1 h, and 0.24 at 24 h; these are means of ratios with a
//     spread of 270 times. In 5 of those 23 nothing rose, which is below our low end:
//     a caution says so. '1 L gives 2 g/L' (SAEVA Proceedings 2016) is inside.
//   - Protein. +6 g/L after 10 mL/kg in healthy mares (McKenzie et al., Am J Vet
//     Res 2016) is inside, with a donor protein of 70 g/L that the paper's abstract
//     does not give.
//   - Weight. 80 G^3 (Marcenac and Aublet) gives an adult of 180 x 155 cm 466.6 kg,
//     2.4 kg over the high end of ours. A foal tape in inches (Horse & Rider, 2000)
//     is inside: 45.4 against 48.3 kg.
//   - Thaw, held bath. Human bags of 20 mm at 37 C take 25 min on average (Sherman
//     and Dorner, Transfusion 1974): our middle is 2.3 min early with 100 W/m2K and
//     7.6 min early with 150; 20 to 30 min and the 15 to 20 of a kneaded bag lie
//     within the range at 100 W/m2K but for its ends (15.8 to 29.6). No timed thaw
//     of a litre of horse plasma was found in print.
//   - Thaw, still melt. Against a fine grid that warms the melt too, our late end is
//     2 to 10 % early.
//   - Flow. The middle over the published flow: 20 gauge 1.07 to 1.08, 18 gauge
//     1.21 to 1.27, 16 gauge 1.88 to 2.07, 14 gauge 1.85 to 1.93, in the dog (JAVMA
//     1991); 1.09 to 1.44 for cannulae on the bench (Eur J Anaesthesiol 2007); 1.93
//     for a large-animal set (Semina Cienc Agrar 2009). So real flow is 0.48 to 0.94
//     of our middle. 20 and 18 gauge and the bench lie inside the printed range; 16
//     and 14 gauge lie under it, and a step says so. Tubes and lengths were not
//     printed in those studies; ours were assumed. The miss is to the safe side for
//     'how many times too fast', and to the wrong side for 'how long will it take'.
//   - Demand. Binomial and Poisson take foals as independent. Farms and months
//     cluster: the stock is the least to hold.
package engine
