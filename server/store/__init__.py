"""Tables, migrations, and the one place that talks to the database."""
