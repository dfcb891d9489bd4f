"""The locker: loan gear and its life, stock across trips, and the plan that covers a party's gaps."""
