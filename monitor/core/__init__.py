"""Pure: records, errors, settings, debounced inputs, links, cycle machine, patterns and findings."""
