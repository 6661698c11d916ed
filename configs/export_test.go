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

// WithinForTest is where a character of a value's text stands in a file.
func WithinForTest(file []byte, at Pos, text string, line, column int) Pos {
	return (&source{name: at.File, text: file}).within(at, text, line, column)
}
