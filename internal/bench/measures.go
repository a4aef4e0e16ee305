package bench

// measures lists everything in the order in which it runs.
func measures() []measure {
	return []measure{
		{names: []string{"push_ack_10k"}, run: pushMeasure([2]string{"push_ack_10k"}, 10_000)},
		{names: []string{"push_ack_100k", "push_folded_100k"}, run: pushMeasure([2]string{"push_ack_100k", "push_folded_100k"}, 100_000)},
		{names: []string{"pull_folded_100k"}, run: pullMeasure("pull_folded_100k", 100_000)},
	}
}
