"""Reports: HTML, JUnit and summary, from results alone. Measures nothing."""
