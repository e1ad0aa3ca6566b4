"""Who is still suspected: the suspects, what each predicts, and the general elimination over those tables."""
