package configs

// SecretForTest makes a secret.
func SecretForTest(from, value string) Secret { return Secret{from: from, value: value} }

// The spellings that suggestions rest on.
var (
	NearestForTest  = nearest
	DistanceForTest = distance
	// LineEndsForTest counts the line ends of YAML.
	LineEndsForTest = lineEnds
)
