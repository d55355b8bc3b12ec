"""The month-end cash check: what bank, suppliers, processor and orders say is one story, or not."""
