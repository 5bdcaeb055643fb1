"""What an assessor asks of a dossier, answered from its record: thirty questions, and ISO/IEC 17025 by its clauses."""
