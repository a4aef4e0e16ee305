package bench

// measures lists everything in the order in which it runs.
func measures() []measure {
	return []measure{
		{names: planNames(), run: planMeasure},
		{names: []string{"pick_60"}, run: pickMeasure},
		{names: []string{"record_one", "record_one_pulling"}, run: recordMeasure},
		{names: []string{"push_ack_10k"}, run: pushMeasure([2]string{"push_ack_10k"}, 10_000)},
		{names: []string{"push_ack_100k", "push_folded_100k"}, run: pushMeasure([2]string{"push_ack_100k", "push_folded_100k"}, 100_000)},
		{names: []string{"pull_folded_100k"}, run: pullMeasure("pull_folded_100k", 100_000)},
		{names: []string{"urgent_1000"}, run: urgentMeasure},
		{names: []string{"urgent_20"}, run: heldMeasure},
		{names: []string{"push_database_100k"}, database: true, run: databaseMeasure},
		{names: []string{"urgent_database"}, database: true, run: urgentDatabaseMeasure},
		{names: []string{"neighbour"}, run: neighbourMeasure},
		{names: []string{"hosted_open", "hosted_idle"}, run: hostedMeasure},
		{names: pageNames(), run: pagesMeasure},
		{names: []string{"growth_ack", "growth_folded"}, run: growth(100_000)},
		{names: []string{"start_100k"}, run: startMeasure("start_100k", 100_000)},
		{names: []string{"idle_100k"}, run: idleMeasure("idle_100k", 100_000)},
		{names: answersOf("_100k"), run: answersMeasure("_100k", 100_000)},
		{names: []string{"growth_ack_1m", "growth_folded_1m"}, long: true, run: growth(1_000_000)},
		{names: []string{"start_1m"}, long: true, run: startMeasure("start_1m", 1_000_000)},
		{names: []string{"idle_1m"}, long: true, run: idleMeasure("idle_1m", 1_000_000)},
		{names: answersOf("_1m"), long: true, run: answersMeasure("_1m", 1_000_000)},
	}
}
