package detect

var debugAnalysis func(*contact, *analyser)
